// One value in the form of a file: its field, what it means, and what is wrong with it.
import { useSignal } from '@preact/signals';
import { useLayoutEffect } from 'preact/hooks';
import type { DraftNode } from '../../server/contract/definitions.ts';
import type { Draft, Problem } from './draft.ts';
import { nameOf, ownProblems, type PartProps } from './file-form.tsx';
import { Rename, RenameNote } from './rename.tsx';
import { exampleOf, fillingOf, type Schema, toEntered, toListText } from './schema.ts';

export function Field({ draft, node, schema, at, optional, names, show }: PartProps) {
  const id = `field-${at.join('-')}`;
  const name = nameOf(node, at);
  const label = typeof at.at(-1) === 'number' ? `${Number(at.at(-1)) + 1}` : name;
  const problems = ownProblems(draft, node);
  return (
    <div class="file-field" data-bad={problems.some(({ severity }) => severity === 'error') || undefined}>
      <label for={id}>{label}</label>
      <div class="field-entry">
        {schema ? <Entry id={id} draft={draft} node={node} schema={schema} at={at} /> : <code id={id}>{node.source ?? '…'}</code>}
        <button type="button" class="button slim" onClick={() => show(node)} aria-label={`Line ${node.line}: show ${name} in the text`}>
          Line {node.line}
        </button>
        {names && <Rename draft={draft} at={at} names={names} />}
        {optional && (
          <button type="button" class="button slim" onClick={() => void draft.edit({ kind: 'remove', at })} aria-label={`Remove ${name}`}>
            Remove
          </button>
        )}
      </div>
      {schema?.description && (
        <p class="quiet small" id={`${id}-about`}>
          {schema.description}
        </p>
      )}
      {names && <RenameNote draft={draft} at={at} />}
      <Problems problems={problems} />
    </div>
  );
}

export function Problems({ problems }: { problems: readonly Problem[] }) {
  if (problems.length === 0) return null;
  return (
    <ul class="plain field-problems">
      {problems.map((problem) => (
        <li key={problem.code + problem.say} data-severity={problem.severity}>
          {problem.say}. {problem.fix}
        </li>
      ))}
    </ul>
  );
}

interface EntryProps {
  id: string;
  draft: Draft;
  node: DraftNode;
  schema: Schema;
  at: PartProps['at'];
}

function Entry({ id, draft, node, schema, at }: EntryProps) {
  const filling = fillingOf(schema);
  const about = schema.description ? `${id}-about` : undefined;
  const put = (entered: { value: string | boolean } | { source: string }) => void draft.edit({ kind: 'set', at, ...entered });
  if (filling === 'choice') {
    const now = node.kind === 'scalar' ? node.value : (node.source ?? '');
    const options = (schema.enum ?? []).map(String);
    return (
      <select id={id} aria-describedby={about} value={now} onChange={(event) => put({ value: event.currentTarget.value })}>
        {!options.includes(now) && <option value={now}>{now} (unknown)</option>}
        {options.map((option) => (
          <option key={option} value={option}>
            {option === '' ? '(none)' : option}
          </option>
        ))}
      </select>
    );
  }
  if (filling === 'flag' && node.kind === 'scalar' && node.type === 'flag') {
    return (
      <select
        id={id}
        aria-describedby={about}
        value={node.value}
        onChange={(event) => put({ value: event.currentTarget.value === 'true' })}
      >
        <option value="true">yes</option>
        <option value="false">no</option>
      </select>
    );
  }
  const shown = toShown(node, filling === 'numbers' || filling === 'words');
  if (shown === undefined) return <span class="quiet">takes several lines: change it in the text</span>;
  return (
    <TextEntry
      id={id}
      about={about}
      shown={shown}
      placeholder={toHint(schema)}
      list={listFor(schema, at)}
      put={(typed) => put(toEntered(schema, typed))}
    />
  );
}

interface TextEntryProps {
  id?: string;
  about?: string | undefined;
  /** What the file says. */
  shown: string;
  placeholder?: string;
  list?: string | undefined;
  put(typed: string): void;
}

/** What is typed stays until the file says something else, however often the page is drawn meanwhile. */
export function TextEntry({ id, about, shown, placeholder, list, put }: TextEntryProps) {
  const typed = useSignal<string | undefined>(undefined);
  // Before anybody can type into what was just drawn: what is typed is never thrown away.
  useLayoutEffect(() => {
    typed.value = undefined;
  }, [shown, typed]);
  return (
    <input
      id={id}
      type="text"
      aria-describedby={about}
      value={typed.value ?? shown}
      autocapitalize="none"
      autocomplete="off"
      spellcheck={false}
      placeholder={placeholder}
      list={list}
      onInput={(event) => {
        typed.value = event.currentTarget.value;
      }}
      onChange={() => {
        if (typed.value !== undefined && typed.value.trim() !== shown) put(typed.value);
      }}
    />
  );
}

/** Undefined: on several lines, which no field of one line holds. */
function toShown(node: DraftNode, list: boolean): string | undefined {
  if (node.kind === 'scalar') return node.value.includes('\n') ? undefined : node.value;
  if (node.source === undefined) return undefined;
  return list ? toListText(node.source) : node.source;
}

function toHint(schema: Schema): string {
  const example = exampleOf(schema);
  return example === '' ? '' : `such as ${example}`;
}

export const channelsList = 'known-channels';
export const devicesList = 'known-devices';

function listFor(schema: Schema, at: PartProps['at']): string | undefined {
  if (/^(A c|C)hannel\b/.test(schema.description ?? '')) return channelsList;
  return at.at(-1) === 'device' || at.at(-2) === 'devices' || at[0] === 'trunk' ? devicesList : undefined;
}
