// Circuits with what they lose and what protects them, and the fuses with what hangs on each.
import type { HarnessCircuit, HarnessView } from '../../server/contract/harness.ts';
import { toQuantityText } from '../shell/units.ts';

export function CircuitTable({ view }: { view: HarnessView }) {
  const worst = [...view.circuits].sort((a, b) => b.warnings.length - a.warnings.length);
  return (
    <section aria-labelledby="circuits-title">
      <h2 id="circuits-title">Circuits</h2>
      <p class="small quiet">
        Resistance by ASTM B258 at {toQuantityText(20, 'degC')}. Drop there and back at {toQuantityText(80, 'degC')}, the way back taken to
        be as long and as thick; limit 4 % of the nominal voltage. What a wire carries: single wire in free air. Limits are common practice,
        no source.
      </p>
      <div class="scroll-x">
        <table class="circuit-table">
          <thead>
            <tr>
              <th scope="col">Circuit</th>
              <th scope="col">From and to</th>
              <th scope="col" class="number">
                Load
              </th>
              <th scope="col" class="number">
                Wire
              </th>
              <th scope="col" class="number">
                Drop
              </th>
              <th scope="col">Finding</th>
            </tr>
          </thead>
          <tbody>
            {worst.map((circuit) => (
              <tr key={circuit.name} data-circuit={circuit.name} data-warned={circuit.warnings.length > 0 ? '' : undefined}>
                <th scope="row">
                  {circuit.title}
                  {circuit.anyPinOf && <span class="small quiet block">may sit on any of {circuit.anyPinOf.join(', ')}</span>}
                </th>
                <td>{circuit.ends.join(', ')}</td>
                <td class="number">{circuit.loadA === undefined ? '–' : `${circuit.loadA} A`}</td>
                <td class="number">{circuit.ohm === undefined ? '–' : `${(circuit.ohm * 1000).toFixed(0)} mΩ`}</td>
                <td class="number">{circuit.dropV === undefined ? '–' : `${circuit.dropV.toFixed(2)} V`}</td>
                <td>
                  <Findings circuit={circuit} />
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </section>
  );
}

function Findings({ circuit }: { circuit: HarnessCircuit }) {
  if (circuit.warnings.length > 0) {
    return (
      <ul class="plain">
        {circuit.warnings.map((warning) => (
          <li key={warning} class="warned">
            <b>Look:</b> {warning}
          </li>
        ))}
      </ul>
    );
  }
  if (circuit.missing.length > 0) {
    return (
      <span class="small">
        Not judged; these lines would let it be:{' '}
        {circuit.missing.map((line) => (
          <code key={line}>{line} </code>
        ))}
      </span>
    );
  }
  // Thermocouple wire carries no load: only its continuity is judged.
  return circuit.dropV === undefined ? <span class="quiet">Nothing to judge here</span> : <span>Right</span>;
}

export function FuseTable({ view }: { view: HarnessView }) {
  if (view.fuses.length === 0) return null;
  return (
    <section aria-labelledby="fuses-title">
      <h2 id="fuses-title">Fuses</h2>
      <div class="scroll-x">
        <table>
          <thead>
            <tr>
              <th scope="col">Fuse</th>
              <th scope="col">Protects</th>
              <th scope="col" class="number">
                Rating
              </th>
              <th scope="col" class="number">
                Load
              </th>
              <th scope="col">Finding</th>
            </tr>
          </thead>
          <tbody>
            {view.fuses.map(({ fuse, title, ratingA, loadA, unknown, warning }) => (
              <tr key={fuse}>
                <th scope="row">{fuse}</th>
                <td>{title}</td>
                <td class="number">{ratingA} A</td>
                <td class="number">{loadA.toFixed(1)} A</td>
                <td>{warning ?? (unknown.length > 0 ? `Not judged: no load is said of ${unknown.join(', ')}` : 'Right')}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </section>
  );
}
