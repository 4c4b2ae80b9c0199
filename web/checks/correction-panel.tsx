// What a run of the probe or injector check found different from vehicle.yaml, and one press that writes it there.

import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { CorrectionView } from '../../server/contract/check-steps.ts';
import { ApiError, getJson, sendJson, toProblem } from '../stream/api.ts';
import { signed } from './check-procedure.tsx';

const correcting = ['probes', 'injectors'];

export function CorrectionPanel({ run, check }: { run: number; check: string }) {
  const view = useSignal<CorrectionView | undefined>(undefined);
  const problem = useSignal('');
  const path = `/api/checks/runs/${run}/correction`;
  const ask = async (work: () => Promise<CorrectionView>) => {
    try {
      view.value = await work();
      problem.value = '';
    } catch (error) {
      const isNothing = error instanceof ApiError && error.code === 'CHECK_CORRECTS_NOTHING';
      problem.value = isNothing ? '' : toProblem(error);
    }
  };
  useEffect(() => {
    if (correcting.includes(check)) void ask(() => getJson<CorrectionView>(path));
  }, [path, check]);
  const found = view.value;
  if (!found && problem.value === '') return null;
  return (
    <section class="panel correction" aria-labelledby="correction-title" data-written={found ? found.writtenWallMs !== null : undefined}>
      <h2 id="correction-title">vehicle.yaml</h2>
      {problem.value && <p class="problem">{problem}</p>}
      {found && <Found found={found} onWrite={() => void ask(() => sendJson('POST', path, signed()))} />}
    </section>
  );
}

function Found({ found, onWrite }: { found: CorrectionView; onWrite(): void }) {
  const { proved, changes, notes, writtenWallMs } = found;
  return (
    <>
      {proved && <p>What the file says is proved.</p>}
      {!proved && changes.length === 0 && notes.length > 0 && <p>Nothing to write.</p>}
      {changes.length > 0 && (
        <div class="scroll-x">
          <table>
            <thead>
              <tr>
                <th scope="col">What</th>
                <th scope="col">{writtenWallMs === null ? 'The file says' : 'The file said'}</th>
                <th scope="col">Found</th>
              </tr>
            </thead>
            <tbody>
              {changes.map(({ what, from, to }) => (
                <tr key={what}>
                  <th scope="row">{what}</th>
                  <td>{from}</td>
                  <td>
                    <b>{to}</b>
                  </td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
      {notes.map((note) => (
        <p key={note}>{note}</p>
      ))}
      {writtenWallMs !== null && (
        <p role="status">
          <b>Written to vehicle.yaml</b> {new Date(writtenWallMs).toLocaleString()}; what stood there is in the log book. Do the check again
          to prove it.
        </p>
      )}
      {writtenWallMs === null && changes.length > 0 && (
        <div class="big-acts no-print">
          <button type="button" class="button main huge" onClick={onWrite}>
            Write it to vehicle.yaml
          </button>
        </div>
      )}
    </>
  );
}
