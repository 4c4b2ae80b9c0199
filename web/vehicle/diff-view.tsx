// What saving would change, file by file, and the button that does it.
import { useSignal } from '@preact/signals';
import type { Draft } from './draft.ts';
import { type DiffLine, toDiff } from './line-diff.ts';

const signs: Record<DiffLine['kind'], string> = { same: ' ', gone: '−', new: '+', skipped: '⋯' };
const signWords: Record<DiffLine['kind'], string> = { same: '', gone: 'goes: ', new: 'comes: ', skipped: '' };

export function DiffView({ draft, onSaved, onClose }: { draft: Draft; onSaved(): void; onClose?: () => void }) {
  const despite = useSignal(false);
  const saving = useSignal(false);
  const changes = draft.changes.value;
  const errors = draft.errors.value.length;
  const save = async () => {
    saving.value = true;
    const saved = await draft.save(despite.value);
    saving.value = false;
    if (saved) onSaved();
  };
  return (
    <section class="panel diff-view" aria-labelledby="diff-title">
      <h2 id="diff-title">What saving changes</h2>
      {changes.length === 0 && <p>Nothing: the files are as they are on disk.</p>}
      {changes.map(({ path, text }) => (
        <FileDiff key={path} path={path} before={draft.base.value?.files.find((file) => file.path === path)?.text} after={text} />
      ))}
      {errors > 0 && (
        <label class="despite">
          <input
            type="checkbox"
            checked={despite.value}
            onChange={(event) => {
              despite.value = event.currentTarget.checked;
            }}
          />
          {errors === 1 ? 'Save although one error is left' : `Save although ${errors} errors are left`}: the last good set stays in force.
        </label>
      )}
      <div class="diff-acts">
        <button
          type="button"
          class="button main"
          disabled={changes.length === 0 || saving.value || (errors > 0 && !despite.value)}
          onClick={() => void save()}
        >
          {saving.value ? 'Saving…' : 'Save'}
        </button>
        {onClose && (
          <button type="button" class="button" onClick={onClose}>
            Back
          </button>
        )}
      </div>
    </section>
  );
}

function FileDiff({ path, before, after }: { path: string; before: string | undefined; after: string | null }) {
  const lines = toDiff(before ?? '', after ?? '');
  return (
    <div class="file-diff">
      <h3>
        {path} {before === undefined && <span class="quiet">new</span>}
        {after === null && <span class="quiet">is removed</span>}
      </h3>
      {/* biome-ignore lint/a11y/noNoninteractiveTabindex: what scrolls must be reachable by keyboard */}
      <ol class="plain diff-lines" tabIndex={0} aria-label={`Lines of ${path} that change`}>
        {lines.map((line) => (
          <li key={`${line.kind} ${line.before} ${line.after} ${line.text}`} data-kind={line.kind}>
            <span class="diff-number">{line.after ?? line.before ?? ''}</span>
            <span class="diff-sign" aria-hidden="true">
              {signs[line.kind]}
            </span>
            <span class="visually-hidden">{signWords[line.kind]}</span>
            <code>{line.text}</code>
          </li>
        ))}
      </ol>
    </div>
  );
}
