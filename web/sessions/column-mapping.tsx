// Which column of a table holds what: a choice a field, beginning with what the headers sound like.
import type { FileLookView } from '../../server/contract/recorded-import.ts';

/** What a person is asked for; a field may be held in several ways, of which one is chosen. */
const questions: readonly { title: string; fields: readonly [field: string, words: string][] }[] = [
  {
    title: 'Time',
    fields: [
      ['time', 'in seconds'],
      ['time_ms', 'in milliseconds'],
      ['time_us', 'in microseconds'],
      ['time_ns', 'in nanoseconds'],
    ],
  },
  {
    title: 'Id',
    fields: [
      ['id', 'in hexadecimal'],
      ['id_decimal', 'in decimal'],
    ],
  },
  { title: 'Data bytes, in hexadecimal', fields: [['data', '']] },
  { title: 'Interface', fields: [['interface', '']] },
  { title: '29-bit id', fields: [['extended', '']] },
];

interface ColumnMappingProps {
  look: FileLookView;
  columns: Record<string, string>;
  change(columns: Record<string, string>): void;
}

export function ColumnMapping({ look, columns, change }: ColumnMappingProps) {
  const shown = Object.keys(columns).length > 0 ? columns : look.guess;
  return (
    <fieldset class="column-mapping">
      <legend>Columns</legend>
      {questions.map(({ title, fields }) => {
        const [field] = fields.find(([each]) => shown[each] !== undefined) ?? (fields[0] as [string, string]);
        const without = () => Object.fromEntries(Object.entries(shown).filter(([each]) => !fields.some(([one]) => one === each)));
        const set = (to: string, header: string) => change(header === '' ? without() : { ...without(), [to]: header });
        return (
          <div key={title} class="column-choice">
            <label>
              {title}
              <select value={shown[field] ?? ''} onChange={(event) => set(field, event.currentTarget.value)}>
                <option value="">no column</option>
                {look.headers.map((header) => (
                  <option key={header} value={header}>
                    {header}
                  </option>
                ))}
              </select>
            </label>
            {fields.length > 1 && (
              <label>
                {title} is
                <select
                  value={field}
                  disabled={shown[field] === undefined}
                  onChange={(event) => set(event.currentTarget.value, shown[field] ?? '')}
                >
                  {fields.map(([each, text]) => (
                    <option key={each} value={each}>
                      {text}
                    </option>
                  ))}
                </select>
              </label>
            )}
          </div>
        );
      })}
      {Object.keys(columns).length === 0 && Object.keys(look.guess).length > 0 && look.problem !== '' && (
        <button type="button" class="button" onClick={() => change(look.guess)}>
          These are right
        </button>
      )}
      {Object.keys(columns).length > 0 && look.problem !== '' && <p class="problem">By these columns no row is a frame: {look.problem}</p>}
    </fieldset>
  );
}

/** Worked: `{ id: 'CAN ID', data: 'Bytes, hex' }` → `id=CAN ID,data="Bytes, hex"`, the form that the server reads. */
export function toColumnsText(columns: Record<string, string>): string {
  return Object.entries(columns)
    .map(([field, header]) => `${field}=${/[,"]/.test(header) ? `"${header.replaceAll('"', '""')}"` : header}`)
    .join(',');
}
