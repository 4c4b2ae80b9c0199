// Which column of a table holds what: as guessed from the headings, and named otherwise by hand.
import type { HarnessTableView, TableView } from '../../server/contract/table-import.ts';

/** Field → heading, as chosen by hand; an empty heading leaves the field out. */
export type Mapping = Record<string, string>;

const fieldWords: Record<string, string> = {
  id: 'id of the frame',
  pgn: 'parameter group (J1939)',
  source_address: 'source address (J1939)',
  frame: 'name of the frame',
  name: 'name of the signal',
  byte: 'byte, or first to last byte',
  last_byte: 'last byte',
  bit: 'bit, or start bit',
  last_bit: 'last bit',
  bits: 'bits, or number of bits',
  bit_length: 'number of bits',
  byte_length: 'number of bytes',
  length: 'length',
  frame_length: 'length of the frame',
  type: 'type, such as uint16',
  byte_order: 'byte order',
  sign: 'sign',
  factor: 'factor',
  divisor: 'divisor',
  offset: 'offset',
  unit: 'unit',
  min: 'minimum',
  max: 'maximum',
  range: 'range',
  period: 'period',
  rate: 'rate per second',
  extended: '29-bit id',
  states: 'names of raw values',
  fault: 'raw value for a fault',
  not_available: 'raw value for not available',
  spn: 'parameter number (J1939)',
  comment: 'remark',
  from: 'connector at which it begins',
  from_pin: 'pin at which it begins',
  to: 'connector at which it ends',
  to_pin: 'pin at which it ends',
  circuit: 'circuit',
  function: 'what the circuit does',
  gauge: 'cross-section',
  colour: 'colour',
  fuse: 'fuse',
  fuse_rating: 'rating of the fuse',
  load: 'current of the circuit',
  channel: 'channel of the circuit',
  alloy: 'alloy of thermocouple wire',
  polarity: 'leg of thermocouple wire',
};

interface ColumnTableProps {
  view: TableView | HarnessTableView;
  mapping: Mapping;
  onMapping(mapping: Mapping): void;
}

export function ColumnTable({ view, mapping, onMapping }: ColumnTableProps) {
  const { headings, columns, fields } = view;
  const fieldOf = new Map(Object.entries(columns).map(([field, heading]) => [heading, field]));
  const shown = headings.filter((heading, i) => heading !== '' && headings.indexOf(heading) === i);
  return (
    <section class="panel" aria-labelledby="columns-title">
      <h2 id="columns-title">Columns</h2>
      <p class="small quiet">Guessed from the headings in row {view.headingRow}. Name them otherwise where the guess is wrong.</p>
      <ul class="plain column-list">
        {shown.map((heading) => {
          const field = fieldOf.get(heading) ?? '';
          return (
            <li key={heading} data-used={field !== ''}>
              <label>
                <b>{heading}</b>
                <select value={field} onChange={(event) => onMapping(remapped(mapping, heading, field, event.currentTarget.value))}>
                  <option value="">not used</option>
                  {fields.map((name) => (
                    <option key={name} value={name}>
                      {fieldWords[name] ?? name}
                    </option>
                  ))}
                </select>
              </label>
            </li>
          );
        })}
      </ul>
      {Object.keys(mapping).length > 0 && (
        <button type="button" class="button" onClick={() => onMapping({})}>
          Guess again
        </button>
      )}
    </section>
  );
}

/** The heading holds `now` instead of `before`; what held `now` before holds nothing. */
function remapped(mapping: Mapping, heading: string, before: string, now: string): Mapping {
  const next = { ...mapping };
  if (before !== '') next[before] = '';
  if (now !== '') next[now] = heading;
  return next;
}
