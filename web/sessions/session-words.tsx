// What people say about a session, to be changed: name, tags, conditions, note.
import { useSignal } from '@preact/signals';
import type { SessionChange } from '../../server/contract/replay.ts';
import type { SessionView } from '../../server/contract/sessions.ts';

interface SessionWordsProps {
  session: SessionView;
  keep(words: SessionChange): Promise<void>;
  leave(): void;
}

export function SessionWords({ session, keep, leave }: SessionWordsProps) {
  const name = useSignal(session.name);
  const tags = useSignal(session.tags.join(', '));
  const conditions = useSignal(toLines(session.conditions));
  const note = useSignal(session.note);
  return (
    <form
      class="session-words"
      onSubmit={(event) => {
        event.preventDefault();
        void keep({ name: name.value.trim(), tags: toTags(tags.value), conditions: toConditions(conditions.value), note: note.value });
      }}
    >
      <label>
        Name
        <input type="text" maxLength={200} value={name} onInput={(event) => (name.value = event.currentTarget.value)} />
      </label>
      <label>
        Tags, with commas between
        <input type="text" value={tags} onInput={(event) => (tags.value = event.currentTarget.value)} />
      </label>
      <label>
        Conditions, a line each: what: how
        <textarea
          rows={3}
          placeholder={'fuel: methanol, new barrel\nplugs: one step colder'}
          value={conditions}
          onInput={(event) => (conditions.value = event.currentTarget.value)}
        />
      </label>
      <label>
        Note
        <textarea rows={3} maxLength={4000} value={note} onInput={(event) => (note.value = event.currentTarget.value)} />
      </label>
      <div class="session-acts">
        <button type="submit" class="button main">
          Keep
        </button>
        <button type="button" class="button" onClick={leave}>
          Leave as it was
        </button>
      </div>
    </form>
  );
}

const [tagsMax, tagLengthMax, howLengthMax] = [30, 60, 200];

/** `a, b,,a` → a and b. */
export function toTags(text: string): string[] {
  const tags = text.split(',').map((tag) => tag.trim().slice(0, tagLengthMax));
  return [...new Set(tags.filter(Boolean))].slice(0, tagsMax);
}

/** `fuel: methanol` → fuel is methanol; a line without a colon is a condition that has no more to it. */
export function toConditions(text: string): Record<string, string> {
  const found: Record<string, string> = {};
  for (const line of text.split('\n')) {
    const colon = line.indexOf(':');
    const what = (colon < 0 ? line : line.slice(0, colon)).trim().slice(0, tagLengthMax);
    if (what)
      found[what] =
        colon < 0
          ? ''
          : line
              .slice(colon + 1)
              .trim()
              .slice(0, howLengthMax);
  }
  return found;
}

function toLines(conditions: Record<string, string>): string {
  return Object.entries(conditions)
    .map(([what, how]) => (how ? `${what}: ${how}` : what))
    .join('\n');
}
