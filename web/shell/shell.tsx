// What stands around every page: the header with the state of things, the alarm layer, file problems, and the answers to questions.
import './shell.css';
import { useSignal } from '@preact/signals';
import type { ComponentType } from 'preact';
import { useEffect } from 'preact/hooks';
import { access } from '../access/access.ts';
import { AccessBar, LoginPage } from '../access/access-bar.tsx';
import { StopLayer } from '../checks/stop-word.tsx';
import { type PageEntry, type PageProps, place } from '../router.tsx';
import { type Feed, FeedContext } from '../stream/feed.ts';
import type { LiveSource } from '../stream/live-source.ts';
import { WhyPanel } from '../why/why-panel.tsx';
import { AlarmLayer } from './alarm-layer.tsx';
import { Header } from './header.tsx';
import { KeyHelp, useKeys } from './keys.tsx';
import { ProblemsBar } from './problems-bar.tsx';

export function Shell({ feed, source }: { feed: Feed; source: LiveSource }) {
  useKeys(feed);
  const { page, rest, query } = place.value;
  useEffect(() => {
    document.title = `${page.title} · Evenburn`;
  }, [page]);
  if (access.value?.role === null) return <LoginPage />;
  return (
    <FeedContext.Provider value={feed}>
      <button type="button" class="skip" onClick={() => document.getElementById('main')?.focus()}>
        To the page
      </button>
      <Header source={source} />
      <ProblemsBar />
      <AccessBar />
      <main id="main" tabIndex={-1} data-link={feed.link}>
        <LoadedPage key={page.name} entry={page} rest={rest} query={query} />
      </main>
      <AlarmLayer />
      <StopLayer />
      <WhyPanel />
      <KeyHelp />
    </FeedContext.Provider>
  );
}

function LoadedPage({ entry, rest, query }: PageProps & { entry: PageEntry }) {
  const loaded = useSignal<{ Page: ComponentType<PageProps> } | undefined>(undefined);
  const failed = useSignal(false);
  useEffect(() => {
    entry.load().then(
      (Page) => {
        loaded.value = { Page };
      },
      () => {
        failed.value = true;
      },
    );
  }, [entry]);
  if (failed.value) return <PageFailed />;
  if (!loaded.value) return null;
  const { Page } = loaded.value;
  return <Page rest={rest} query={query} />;
}

/** The program was updated while this page stood open: the files it asks for are gone. */
function PageFailed() {
  return (
    <section class="panel page-note">
      <h1>This page could not be loaded</h1>
      <p>The program may have been updated or stopped since this browser opened it.</p>
      <button type="button" class="button main" onClick={() => location.reload()}>
        Load it again
      </button>
    </section>
  );
}
