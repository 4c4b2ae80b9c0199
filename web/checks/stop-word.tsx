// The whole screen, on every page, when a stop limit of the running first start is passed: what, which value, how long ago, and that only a
// person can stop it.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { CheckResultView, CheckState, VerdictView } from '../../server/contract/checks.ts';
import { toNumberText } from '../shell/numbers.ts';
import { soundWarning, stopSounding } from '../shell/sound.ts';
import { toQuantityText } from '../shell/units.ts';
import { WholeScreen } from '../shell/whole-screen.tsx';
import { useFollowed } from './following.ts';
import { toSaid } from './verdict-words.ts';

/** Whoever walks about the pages must see it as soon as who stands at the check. */
const watchMs = 250;
/** While no first start runs: it is armed long before it fires. */
const restMs = 2000;

export function StopLayer() {
  const watching = useSignal(false);
  const running = useFollowed<CheckState | null>('/api/checks/running', watching.value ? watchMs : restMs).value.value;
  const isStart = running?.check === 'first-start';
  useEffect(() => {
    watching.value = isStart;
  }, [isStart]);
  return isStart && running.result ? <StopWord key={running.startedWallMs} result={running.result} seconds={running.seconds} /> : null;
}

/** @param seconds How long the check has run. */
function StopWord({ result, seconds }: { result: CheckResultView; seconds: number }) {
  const seen = useSignal<readonly string[]>([]);
  // One that was answered for stays away; another one that comes behind it doesn't.
  const stops = result.verdicts.filter((verdict) => verdict.stop && !seen.value.includes(keyOf(verdict)));
  const open = stops.length > 0;
  useEffect(() => {
    if (!open) return;
    soundWarning();
    return stopSounding;
  }, [open]);
  if (!open) return null;
  return (
    <WholeScreen labelledBy="stop-word" describedBy="stop-why">
      <p class="name" id="stop-word">
        Shut down now
      </p>
      <div id="stop-why">
        {stops.map((stop) => (
          <p key={keyOf(stop)} class="advice">
            {toSaid(stop)}. Measured {toText(stop.measured, stop.unit, 'no value')}, limit {toText(stop.limit, stop.unit, 'none given')}
            {stop.at === undefined ? '' : `, ${toNumberText(Math.max(0, seconds - stop.at), 1)} s ago`}.
          </p>
        ))}
      </div>
      <p>This program can't stop the engine. Somebody must.</p>
      <div class="acts">
        <button
          type="button"
          class="button glove"
          onClick={() => {
            seen.value = [...seen.value, ...stops.map(keyOf)];
          }}
        >
          The engine has stopped
        </button>
      </div>
    </WholeScreen>
  );
}

function keyOf({ code, channel, at }: VerdictView): string {
  return [code, channel, at].join(' ');
}

function toText(value: VerdictView['measured'], unit: string | undefined, none: string): string {
  return typeof value === 'number' ? toQuantityText(value, unit ?? '') : (value ?? none);
}
