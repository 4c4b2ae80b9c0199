// Another name for a part whose name is the user's own, and what still calls it by the one before.
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { type Draft, placeKey } from './draft.ts';

/** One part is the last that was renamed. */
const noteId = 'rename-note';

interface RenameProps {
  draft: Draft;
  at: (string | number)[];
  /** Those beside it, its own among them. */
  names: readonly string[];
}

export function Rename({ draft, at, names }: RenameProps) {
  const now = String(at.at(-1));
  const typed = useSignal<string | undefined>(undefined);
  const field = useRef<HTMLInputElement>(null);
  const button = useRef<HTMLButtonElement>(null);
  const open = typed.value !== undefined;
  const name = (typed.value ?? '').trim();
  const taken = name !== now && names.includes(name);
  useEffect(() => {
    if (open) field.current?.select();
  }, [open]);
  useEffect(() => {
    // The part under its new name is drawn anew: the hand that renamed it goes on from here.
    if (draft.renamed.peek()?.at === placeKey(at)) button.current?.focus();
  }, []);
  const close = () => {
    typed.value = undefined;
    // The button comes back with the next drawing.
    requestAnimationFrame(() => button.current?.focus());
  };
  const rename = (event: Event) => {
    event.preventDefault();
    if (name === now) close();
    else if (name !== '' && !taken) void draft.rename(at, name);
  };
  if (!open) {
    return (
      <button
        type="button"
        class="button slim"
        ref={button}
        aria-describedby={draft.renamed.value?.at === placeKey(at) ? noteId : undefined}
        onClick={() => {
          typed.value = now;
        }}
      >
        Rename <span class="visually-hidden">{now}</span>
      </button>
    );
  }
  return (
    <form
      class="rename"
      onSubmit={rename}
      onKeyDown={(event) => {
        if (event.key !== 'Escape') return;
        event.stopPropagation();
        close();
      }}
    >
      <input
        type="text"
        ref={field}
        aria-label={`New name of ${now}`}
        value={typed}
        maxLength={200}
        autocapitalize="none"
        autocomplete="off"
        spellcheck={false}
        onInput={(event) => {
          typed.value = event.currentTarget.value;
        }}
      />
      <button type="submit" class="button slim" disabled={name === '' || taken}>
        Rename
      </button>
      <button type="button" class="button slim" onClick={close}>
        Keep {now}
      </button>
      <p class="small" role="status">
        {taken && 'There is one of this name already.'}
      </p>
    </form>
  );
}

/** What a rename did, below the part that was renamed; its button is described by it. */
export function RenameNote({ draft, at }: Pick<RenameProps, 'draft' | 'at'>) {
  const note = draft.renamed.value;
  if (note?.at !== placeKey(at)) return null;
  const { was, came } = note;
  return (
    <div class="rename-note" id={noteId}>
      <p>
        It was <b>{was}</b>.{' '}
        {came.length === 0
          ? 'No problem came with the new name.'
          : came.length === 1
            ? '1 problem came with the new name:'
            : `${came.length} problems came with the new name:`}
      </p>
      <ul class="plain small">
        {came.map(({ file, line, say }) => (
          <li key={file + line + say}>
            {file}:{line}: {say}
          </li>
        ))}
      </ul>
    </div>
  );
}
