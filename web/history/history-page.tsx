// After the start: timing, warm-up, heat cycles, probes, starts and leak-down over all sessions, one topic at a time, and the sheets to print.
import '../checks/checks.css';
import './history.css';
import type { ComponentType } from 'preact';
import type { EngineHistoryView } from '../../server/contract/engine-history.ts';
import { useFollowed } from '../checks/following.ts';
import { alwaysSafety } from '../checks/procedures.ts';
import { type PageProps, toAddress } from '../router.tsx';
import { Problem } from '../shell/work.tsx';
import { CyclesSection } from './cycles-section.tsx';
import { LeakSection } from './leak-section.tsx';
import { ProbesSection } from './probes-section.tsx';
import { StartsSection } from './starts-section.tsx';
import { TimingSection } from './timing-section.tsx';
import { WarmUpSection } from './warm-up-section.tsx';

/** Each look may read the session that is being recorded. */
const refreshMs = 20_000;

/** What a topic shows, and how it asks for everything anew after something was written down. */
export interface TopicProps {
  history: EngineHistoryView;
  refresh(): Promise<void>;
}

const topics: { name: string; title: string; Section: ComponentType<TopicProps> }[] = [
  { name: 'timing', title: 'Timing', Section: TimingSection },
  { name: 'starts', title: 'Starts', Section: StartsSection },
  { name: 'warm-up', title: 'Warm-up', Section: WarmUpSection },
  { name: 'heat-cycles', title: 'Heat cycles', Section: CyclesSection },
  { name: 'probes', title: 'Probes', Section: ProbesSection },
  { name: 'leak-down', title: 'Leak-down', Section: LeakSection },
];

/** Opened apart: the browser prints them. */
const sheets = [
  ['start-card', 'Start card'],
  ['timing', 'Timing, leak, torque and lash'],
  ['heat-cycles', 'Heat cycles and probe hours'],
  ['checks', 'History of checks'],
] as const;

export function HistoryPage({ rest }: PageProps) {
  const { value, problem, attempt } = useFollowed<EngineHistoryView>('/api/engine-history', refreshMs);
  const topic = topics.find(({ name }) => name === rest[0]) ?? topics[0];
  const history = value.value;
  const refresh = () => attempt(async () => undefined);
  return (
    <div class="page history-page">
      <h1>After the start</h1>
      <nav class="history-topics" aria-label="Topics">
        {topics.map(({ name, title }) => (
          <a
            key={name}
            class={`button ${name === topic?.name ? 'chosen' : ''}`}
            href={toAddress('history', name)}
            aria-current={name === topic?.name ? 'page' : undefined}
          >
            {title}
          </a>
        ))}
      </nav>
      <Problem text={problem.value} />
      {!history && !problem.value && <p role="status">Reading the sessions.</p>}
      {history && topic && <topic.Section key={topic.name} history={history} refresh={refresh} />}
      {history && topic && <NotJudged history={history} topic={topic.name} />}
      {history && history.unread.length > 0 && (
        <p class="problem">
          Not read: {history.unread.map(({ session, why }) => `session ${session} (${why})`).join('; ')}. What they hold is missing here.
        </p>
      )}
      <section class="history-section" aria-labelledby="paper-title">
        <h2 id="paper-title">On paper</h2>
        <div class="history-topics">
          {sheets.map(([name, title]) => (
            <a key={name} class="button" href={`/api/paper/${name}`} target="_blank" rel="noopener">
              {title}
            </a>
          ))}
        </div>
      </section>
      <p class="small quiet">{alwaysSafety}</p>
    </div>
  );
}

function NotJudged({ history, topic }: { history: EngineHistoryView; topic: string }) {
  const list = history.notJudged.filter((one) => one.topic === topic);
  if (list.length === 0) return null;
  return (
    <ul class="plain history-section">
      {list.map(({ what, line }) => (
        <li key={what}>
          Not judged: {what}. This line would let it be: <code>{line}</code>
        </li>
      ))}
    </ul>
  );
}
