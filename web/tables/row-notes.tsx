// What must be mended in a table, or should be known about it, each with its row and column.
import type { RowNote } from '../../server/contract/table-import.ts';

const shownMax = 50;

export function RowNotes({ title, kind, notes }: { title: string; kind: 'conflict' | 'note'; notes: readonly RowNote[] }) {
  if (notes.length === 0) return null;
  return (
    <section class="panel row-notes" data-kind={kind} aria-label={title}>
      <h2>
        {title} <span class="quiet">{notes.length}</span>
      </h2>
      <ul class="plain">
        {notes.slice(0, shownMax).map(({ row, column, say, fix }, i) => (
          <li key={`${row} ${i}`}>
            {row !== undefined && (
              <b>
                Row {row}
                {column !== undefined && `, column ‘${column}’`}:{' '}
              </b>
            )}
            {say}. {fix}
          </li>
        ))}
      </ul>
      {notes.length > shownMax && <p class="quiet">and {notes.length - shownMax} more</p>}
    </section>
  );
}
