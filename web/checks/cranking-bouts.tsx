// Cranking bouts and rests, timed: how long the starter turns now, how long it must rest, and what oil pressure came.
import type { CheckResultView } from '../../server/contract/checks.ts';
import { toNumberText } from '../shell/numbers.ts';
import { toQuantityText } from '../shell/units.ts';

type Bout = NonNullable<CheckResultView['bouts']>[number];

/** @param seconds How long the check has run. */
export function CrankingBouts({ bouts, seconds }: { bouts: Bout[]; seconds: number }) {
  const last = bouts.at(-1);
  return (
    <div class="bouts" data-turning={last?.turning === true}>
      <p class="bout-now" role="status">
        {toNowWords(last, seconds)}
      </p>
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

function toNowWords(last: Bout | undefined, seconds: number): string {
  if (!last) return 'The engine has not turned yet.';
  if (last.turning && last.ran) return 'It runs.';
  if (last.turning) return last.tooLong ? 'Stop cranking: let the starter cool' : `Cranking ${toNumberText(last.seconds, 1)} s`;
  const restedS = seconds - last.at - last.seconds;
  const left = Math.ceil((last.restWantedS ?? 0) - restedS);
  return left > 0 ? `Rest: ${left} s left` : 'Rested';
}
