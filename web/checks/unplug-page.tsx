// The unplug test: asks for one device at a time, and says whether exactly its frames vanished.
import { useEffect } from 'preact/hooks';
import { WriterField } from '../log-book/write-down.tsx';
import { toAddress } from '../router.tsx';
import { useAttempts } from '../shell/work.tsx';
import { sendJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { CheckPage } from './check-page.tsx';
import { keepTest } from './kept-test.tsx';
import { VerdictSign } from './verdict-list.tsx';
import { useWatchStream } from './watch-stream.ts';

export function UnplugPage() {
  const { state, lost } = useWatchStream();
  const feed = useFeed();
  const { problem, attempt } = useAttempts();
  const watching = state.value?.watching;
  useEffect(() => {
    if (watching === false) void attempt(() => sendJson('POST', '/api/checks/watch', {}));
  }, [watching]);
  const devices = feed.vehicle.value?.buses.flatMap((bus) => bus.devices.map(({ name, title }) => ({ name, title, bus: bus.name }))) ?? [];
  const unplugs = state.value?.unplugs ?? [];
  const current = unplugs.at(-1);
  return (
    <CheckPage title="Unplug test" problem={problem.value}>
      {lost.value && <p class="problem">No connection: what stands here is old.</p>}
      <p>Key on, engine off. Tap a device, unplug it, wait for the word, and plug it in again.</p>
      <section class="panel step" role="status" data-phase={current?.phase ?? 'none'}>
        <p class="step-say">{current?.say ?? 'Tap the device to begin with.'}</p>
      </section>
      <ul class="plain unplug-rows">
        {devices.map(({ name, title, bus }) => {
          const judged = unplugs.filter(({ device }) => device === name).at(-1);
          const absent = state.value?.absent.includes(name) === true;
          return (
            <li key={name}>
              <button
                type="button"
                class="button huge"
                aria-pressed={current?.device === name && current.phase !== 'passed' && current.phase !== 'failed'}
                disabled={absent || watching !== true}
                onClick={() => void attempt(() => sendJson('POST', '/api/checks/watch/unplug', { device: name }))}
              >
                {name}
              </button>
              <span class="quiet">
                {title}, bus {bus}
              </span>
              {absent && <span>Not heard yet</span>}
              {judged && (judged.phase === 'passed' || judged.phase === 'failed') && (
                <span class="unplug-word">
                  <VerdictSign kind={judged.phase === 'passed' ? 'right' : 'wrong'} /> {judged.say}
                </span>
              )}
            </li>
          );
        })}
      </ul>
      <WriterField />
      <div class="big-acts">
        <button
          type="button"
          class="button main huge"
          disabled={!unplugs.some(({ phase }) => phase === 'passed' || phase === 'failed')}
          onClick={() => void attempt(() => keepTest('/api/checks/watch/finish', { test: 'unplug' }))}
        >
          Finish and keep
        </button>
        <a class="button huge" href={toAddress('checks')}>
          Done
        </a>
      </div>
    </CheckPage>
  );
}
