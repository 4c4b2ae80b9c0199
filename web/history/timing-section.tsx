// The timing check: speed and commanded timing held when the light is read, the reading typed, offset and delay told apart.
import { useSignal } from '@preact/signals';
import type { TimingView } from '../../server/contract/engine-history.ts';
import { VerdictRow } from '../checks/verdict-list.tsx';
import { WriterField, writeDown } from '../log-book/write-down.tsx';
import { toNumberText, toSignedText } from '../shell/numbers.ts';
import { Problem, useWork } from '../shell/work.tsx';
import { type Latest, useFeed } from '../stream/feed.ts';
import { toFigureAddress } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { WhyNow } from '../why/why-now.tsx';
import type { TopicProps } from './history-page.tsx';
import { Wide } from './wide.tsx';

export function TimingSection({ history: { timing }, refresh }: TopicProps) {
  return (
    <section class="history-section" aria-labelledby="timing-title">
      <h2 id="timing-title">Timing check</h2>
      <p>
        Fix the commanded timing in the engine controller. Hold a light on cylinder 1 and read it below 1800 rpm and above 3000 rpm; each
        reading more makes it surer. Stand clear of belts, fan and flywheel.
      </p>
      <p class={`history-word ${timing.loadAllowed ? '' : 'blocked'}`} role="status" data-load={timing.loadAllowed ? 'allowed' : 'blocked'}>
        {timing.loadAllowed ? 'Timing is right. Load may follow.' : 'No load before this check is done and its readings are right.'}
      </p>
      <ReadingForm refresh={refresh} />
      {timing.readings.length > 0 && <Readings timing={timing} refresh={refresh} />}
      <Judged timing={timing} />
      {timing.readings.length > 0 && <AdjustedForm refresh={refresh} />}
    </section>
  );
}

interface Held {
  speed: string;
  commanded: string;
  syncLosses: number | null;
}

/** A comma is a point where people write it so. */
const toNumber = (text: string) => Number(text.trim().replace(',', '.').replace('−', '-'));
const isNumber = (text: string) => text.trim() !== '' && Number.isFinite(toNumber(text));

function ReadingForm({ refresh }: { refresh(): Promise<void> }) {
  const feed = useFeed();
  const roles = feed.vehicle.value?.engine?.roles ?? {};
  const speed = feed.watch(roles.speed ?? '').value;
  const commanded = feed.watch(roles.timing ?? '').value;
  const losses = feed.watch(roles.syncLosses ?? '').value;
  const held = useSignal<Held>({ speed: '', commanded: '', syncLosses: null });
  const light = useSignal('');
  const { busy, problem, run } = useWork();
  const hold = () => {
    held.value = {
      speed: toHeld(speed, 0),
      commanded: toHeld(commanded, 1),
      syncLosses: losses.quality === 'ok' ? losses.value : null,
    };
  };
  const ready = [held.value.speed, held.value.commanded, light.value].every(isNumber) && toNumber(held.value.speed) > 0;
  const keep = () =>
    run(async () => {
      const { speed: rpm, commanded: deg, syncLosses } = held.value;
      const reading = { speedRpm: toNumber(rpm), lightDeg: toNumber(light.value), commandedDeg: toNumber(deg), syncLosses };
      await writeDown({ kind: 'timing-reading', ...reading });
      light.value = '';
      await refresh();
    });
  return (
    <div class="panel history-section">
      <h3>A reading</h3>
      <p class="history-now">
        <span>
          Speed <WhyNow channel={roles.speed}>{toNow(speed, 0, 'rpm')}</WhyNow>
        </span>
        <span>
          Commanded <WhyNow channel={roles.timing}>{toNow(commanded, 1, '°')}</WhyNow>
        </span>
      </p>
      {!roles.timing && (
        <p>
          The bus does not say what is commanded: type it, or name its channel with <code>{'engine: { timing: <channel> }'}</code>.
        </p>
      )}
      <div class="history-fields">
        <button type="button" class="button" onClick={hold}>
          I read it now
        </button>
        <Typed label="Speed, rpm" value={held.value.speed} set={(text) => (held.value = { ...held.value, speed: text })} />
        <Typed label="Commanded, °" value={held.value.commanded} set={(text) => (held.value = { ...held.value, commanded: text })} />
        <Typed label="By the light, °" value={light.value} set={(text) => (light.value = text)} />
        <WriterField />
        <button type="button" class="button main" disabled={!ready || busy.value} onClick={() => void keep()}>
          Write down
        </button>
      </div>
      <p class="small quiet">Degrees before top centre: behind top centre is less than 0.</p>
      <Problem text={problem.value} />
    </div>
  );
}

function toHeld({ value, quality }: Latest, digits: number): string {
  return quality === 'ok' && value !== null ? value.toFixed(digits) : '';
}

/** A value that isn't good never stands there as a number. */
function toNow({ value, quality }: Latest, digits: number, unit: string): string {
  return quality === 'ok' && value !== null ? `${toNumberText(value, digits)} ${unit}` : quality;
}

function Typed({ label, value, set }: { label: string; value: string; set(text: string): unknown }) {
  return (
    <label>
      {label}
      <input type="text" inputMode="decimal" value={value} onInput={(event) => set(event.currentTarget.value)} />
    </label>
  );
}

function Readings({ timing, refresh }: { timing: TimingView; refresh(): Promise<void> }) {
  const { busy, problem, run } = useWork();
  const takeBack = (of: number) =>
    run(async () => {
      await writeDown({ kind: 'timing-undone', of });
      await refresh();
    });
  return (
    <>
      <Wide label="Readings of the timing light">
        <table data-table="timing">
          <thead>
            <tr>
              {['Speed, rpm', 'Commanded, °', 'By the light, °', 'Error, °', 'By', 'When', 'Take back'].map((word) => (
                <th key={word} scope="col">
                  {word}
                </th>
              ))}
            </tr>
          </thead>
          <tbody>
            {timing.readings.map(({ entry, speedRpm, commandedDeg, lightDeg, errorDeg, by, wallMs }) => (
              <tr key={entry}>
                <td>{toNumberText(speedRpm, 0)}</td>
                <td>{toNumberText(commandedDeg, 1)}</td>
                <td>{toNumberText(lightDeg, 1)}</td>
                <td>
                  <WhyFigure of={toFigureAddress('history', 'timing', entry)}>{toSignedText(errorDeg, 1)}</WhyFigure>
                </td>
                <td>{by}</td>
                <td>{new Date(wallMs).toLocaleString()}</td>
                <td>
                  <button type="button" class="button" disabled={busy.value} onClick={() => void takeBack(entry)}>
                    Was wrong
                  </button>
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </Wide>
      <Problem text={problem.value} />
    </>
  );
}

function Judged({ timing: { verdicts, notJudged } }: { timing: TimingView }) {
  return (
    <>
      <ol class="plain verdict-rows">
        {verdicts.map((verdict) => (
          <VerdictRow key={verdict.code} verdict={verdict} figure={toFigureAddress('history', 'timing', verdict.code)} />
        ))}
      </ol>
      {notJudged.map(({ what, line }) => (
        <p key={what} class="quiet">
          Not judged: {what} ({line.replace(/^nothing: /, '')}).
        </p>
      ))}
    </>
  );
}

/** Something was adjusted: what was read before says nothing of how it is now. */
function AdjustedForm({ refresh }: { refresh(): Promise<void> }) {
  const what = useSignal('');
  const { busy, problem, run } = useWork();
  const begin = () =>
    run(async () => {
      await writeDown({ kind: 'timing-adjusted', what: what.value });
      what.value = '';
      await refresh();
    });
  return (
    <div class="panel history-section">
      <h3>Something was adjusted</h3>
      <div class="history-fields">
        <label class="wide">
          What
          <input type="text" maxLength={200} value={what} onInput={(event) => (what.value = event.currentTarget.value)} />
        </label>
        <button type="button" class="button" disabled={what.value.trim() === '' || busy.value} onClick={() => void begin()}>
          Read it anew
        </button>
      </div>
      <Problem text={problem.value} />
    </div>
  );
}
