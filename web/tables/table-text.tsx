// Where a table is pasted, dropped or opened as a file.
import { useSignal } from '@preact/signals';
import { Problem } from '../shell/work.tsx';

interface TableTextProps {
  text: string;
  /** Shown while there is nothing: a table of a heading and a row. */
  example: string;
  onText(text: string): void;
}

export function TableText({ text, example, onText }: TableTextProps) {
  const over = useSignal(false);
  const refused = useSignal('');
  const take = async (file: File | undefined) => {
    if (!file) return;
    const read = await file.text();
    // A spreadsheet's own file is no text.
    refused.value = read.includes('\0')
      ? `${file.name} is no text: save it as CSV in the spreadsheet, or copy its cells and paste them.`
      : '';
    if (refused.value === '') onText(read);
  };
  return (
    <section class="panel table-text">
      <label for="table-text">
        Paste the table here, or drop its file: cells between commas, semicolons, tabs (as copied from a spreadsheet) or bars
      </label>
      <textarea
        id="table-text"
        class="bytes"
        rows={8}
        spellcheck={false}
        wrap="off"
        placeholder={example}
        value={text}
        data-over={over.value || undefined}
        onInput={(event) => onText(event.currentTarget.value)}
        onDragOver={(event) => {
          event.preventDefault();
          over.value = true;
        }}
        onDragLeave={() => {
          over.value = false;
        }}
        onDrop={(event) => {
          over.value = false;
          const file = event.dataTransfer?.files[0];
          if (!file) return;
          event.preventDefault();
          void take(file);
        }}
      />
      <div class="table-acts">
        <label class="button file-button">
          Open a file
          <input
            type="file"
            class="visually-hidden"
            accept=".csv,.tsv,.txt,text/*"
            onChange={(event) => {
              void take(event.currentTarget.files?.[0]);
              event.currentTarget.value = '';
            }}
          />
        </label>
        {text !== '' && (
          <button type="button" class="button" onClick={() => onText('')}>
            Clear
          </button>
        )}
      </div>
      <Problem text={refused.value} />
    </section>
  );
}
