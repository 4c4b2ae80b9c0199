// Where the pages begin: one feed for the live stream, the shell around every page.
import './style/tokens.css';
import './style/base.css';
import { render } from 'preact';
import { lookAtAccess } from './access/access.ts';
import { keepAwakeWhileLive } from './shell/awake.ts';
import { applyLooks } from './shell/looks.ts';
import { Shell } from './shell/shell.tsx';
import { Feed } from './stream/feed.ts';
import { LiveSource } from './stream/live-source.ts';

applyLooks();
const feed = new Feed('live');
const source = new LiveSource(feed);
const root = document.getElementById('page');
lookAtAccess(feed);
keepAwakeWhileLive(feed);
if (root) render(<Shell feed={feed} source={source} />, root);
