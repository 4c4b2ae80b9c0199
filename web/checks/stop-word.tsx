// The whole screen, on every page, when a stop limit of the running first start is passed: what, which value, how long ago, and that only a
// person can stop it.
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { CheckResultView, CheckState, VerdictView } from '../../server/contract/checks.ts';
import { toNumberText } from '../shell/numbers.ts';
import { soundWarning, stopSounding } from '../shell/sound.ts';
import { useFollowed } from './following.ts';

/** Whoever walks about the pages must see it as soon as who stands at the check. */
const watchMs = 250;
/** While no first start runs: it is armed long before it fires. */
const restMs = 2000;

/** Oil pressure that didn't come or went away while the engine runs: seconds count. */
function isStop(verdict: VerdictView): boolean {
  return !verdict.ok && verdict.code === 'oil-pressure' && verdict.phase === 'running';
}

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
  const stop = result.verdicts.find(isStop);
  const seen = useSignal<number | undefined>(undefined);
  const plate = useRef<HTMLDivElement>(null);
  const open = stop !== undefined && seen.value !== (stop.at ?? 0);
  useEffect(() => {
    if (!open) return;
    plate.current?.focus();
    soundWarning();
    return stopSounding;
  }, [open]);
  if (!stop || !open) return null;
  const measured = stop.measured === null || stop.measured === undefined ? 'no value' : `${stop.measured} kPa`;
  return (
    <div class="whole-screen" role="alertdialog" aria-labelledby="stop-word" aria-describedby="stop-why" tabIndex={-1} ref={plate}>
      <div class="sheet">
        <p class="name" id="stop-word">
          Shut down now
        </p>
        <p class="advice" id="stop-why">
          {stop.say}. Measured {measured}, needed {String(stop.limit ?? 'more')}
          {stop.at === undefined ? '' : `, ${toNumberText(Math.max(0, seconds - stop.at), 1)} s ago`}.
        </p>
        <p>This program can't stop the engine. Somebody must.</p>
        <div class="acts">
          <button
            type="button"
            class="button glove"
            onClick={() => {
              seen.value = stop.at ?? 0;
            }}
          >
            The engine has stopped
          </button>
        </div>
      </div>
    </div>
  );
}
