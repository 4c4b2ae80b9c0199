// Cranking bouts and rests, timed: how long the starter turns now, how long it must rest, and what oil pressure came.
import type { CheckResultView } from '../../server/contract/checks.ts';
import { CalmStatus, toSpokenSeconds } from '../shell/calm-status.tsx';
import { toNumberText } from '../shell/numbers.ts';
import { toQuantityText } from '../shell/units.ts';

type Bout = NonNullable<CheckResultView['bouts']>[number];

/** @param seconds How long the check has run. */
export function CrankingBouts({ bouts, seconds }: { bouts: Bout[]; seconds: number }) {
  const last = bouts.at(-1);
  return (
    <div class="bouts" data-turning={last?.turning === true}>
      <CalmStatus class="bout-now" {...toNowWords(last, seconds)} />
      {bouts.length > 0 && (
        <ol class="plain bout-rows">
          {bouts.map((bout, i) => (
            <li key={bout.at}>
              <b>Bout {i + 1}</b> {toNumberText(bout.seconds, 1)} s{bout.tooLong ? ', longer than a starter should be held' : ''}
              {bout.restS === null ? '' : `, after ${Math.round(bout.restS)} s of rest`},{' '}
              {bout.oilKpa === null ? 'no oil pressure known' : `oil pressure up to ${toQuantityText(bout.oilKpa, 'kPa')}`}
              {bout.ran ? ', it ran' : bout.dry ? '' : ', with fuel'}
            </li>
          ))}
        </ol>
      )}
    </div>
  );
}

function toNowWords(last: Bout | undefined, seconds: number): { shown: string; spoken: string } {
  const both = (words: string) => ({ shown: words, spoken: words });
  if (!last) return both('The engine has not turned yet.');
  if (last.turning && last.ran) return both('It runs.');
  if (last.turning && last.tooLong) return both('Stop cranking: let the starter cool');
  if (last.turning) return { shown: `Cranking ${toNumberText(last.seconds, 1)} s`, spoken: 'Cranking' };
  const restedS = seconds - last.at - last.seconds;
  const left = Math.ceil((last.restWantedS ?? 0) - restedS);
  if (left <= 0) return both('Rested');
  return { shown: `Rest: ${left} s left`, spoken: `Rest: ${toSpokenSeconds(left)} s left` };
}
