// A file as a form: its parts by the schema, each with what it means, what is wrong with it, and what could be added.
import { useSignal } from '@preact/signals';
import type { DraftNode } from '../../server/contract/definitions.ts';
import { type Draft, type Problem, placeKey } from './draft.ts';
import { Field, Problems } from './form-field.tsx';
import { Rename, RenameNote } from './rename.tsx';
import { beginningOf, fillingOf, narrowed, type Schema, schemaAt } from './schema.ts';

export type Place = (string | number)[];

export interface PartProps {
  draft: Draft;
  node: DraftNode;
  /** Undefined: a key that no file of this kind has. */
  schema: Schema | undefined;
  at: Place;
  /** May it be taken away? */
  optional: boolean;
  /** Names beside it, when its own is the user's to choose. */
  names?: readonly string[] | undefined;
  /** Shows the part in the text. */
  show(node: DraftNode): void;
}

type MapNode = Extract<DraftNode, { kind: 'map' }>;
type ListNode = Extract<DraftNode, { kind: 'list' }>;

export function FileForm({ draft, schema, show }: { draft: Draft; schema: Schema; show(node: DraftNode): void }) {
  const tree = draft.tree.value;
  if (!tree) return <p class="quiet">This text is no YAML yet: mend it beside, and the form comes back.</p>;
  if (tree.kind !== 'map' && tree.kind !== 'scalar') return <p>A list stands where names with values are needed: mend it in the text.</p>;
  const root: MapNode = tree.kind === 'map' ? tree : { kind: 'map', line: 1, from: 1, to: 1, entries: [] };
  return (
    <div class="file-form">
      <Group draft={draft} node={root} schema={schema} at={[]} optional={false} show={show} />
    </div>
  );
}

function Part(props: PartProps) {
  const { node, schema } = props;
  const own = schema && narrowed(schema, node.kind);
  const filling = own && fillingOf(own);
  if (node.kind === 'map' && own && (filling === 'group' || filling === 'named')) return <Fold {...props} schema={own} />;
  if (node.kind === 'list' && own && filling === 'list') return <Fold {...props} schema={own} />;
  return <Field {...props} schema={own} />;
}

/** A part with parts in it, folded until it is looked at. */
function Fold(props: PartProps & { schema: Schema }) {
  const { draft, node, schema, at, optional, names, show } = props;
  // What a file can't be without is looked at first, and what was just renamed stays open.
  const open = useSignal((at.length === 1 && !optional) || draft.renamed.value?.at === placeKey(at));
  const problems = problemsIn(draft, node);
  return (
    <details
      class="part"
      open={open.value}
      onToggle={(event) => {
        open.value = event.currentTarget.open;
      }}
    >
      <summary>
        <span class="part-name">{nameOf(node, at)}</span>
        <span class="quiet small part-about">{aboutOf(node)}</span>
        {problems > 0 && <span class="part-problems">{problems === 1 ? '1 problem' : `${problems} problems`}</span>}
      </summary>
      {open.value && (
        <div class="part-inside">
          {schema.description && <p class="quiet small">{schema.description}</p>}
          <div class="part-acts">
            <button type="button" class="button slim" onClick={() => show(node)}>
              Line {node.line}
            </button>
            {names && <Rename draft={draft} at={at} names={names} />}
            {optional && (
              <button type="button" class="button slim" onClick={() => void draft.edit({ kind: 'remove', at })}>
                Remove {nameOf(node, at)}
              </button>
            )}
          </div>
          {names && <RenameNote draft={draft} at={at} />}
          {node.kind === 'list' ? <List {...props} node={node} /> : node.kind === 'map' && <Group {...props} node={node} />}
        </div>
      )}
    </details>
  );
}

function Group({ draft, node, schema, at, show }: PartProps & { node: MapNode; schema: Schema }) {
  const named = fillingOf(schema) === 'named';
  const needed = schema.required ?? [];
  const names = node.entries.map(({ key }) => key);
  // A key that no schema knows may be a slip of the hand.
  const ownName = (key: string) => !Object.hasOwn(schema.properties ?? {}, key);
  return (
    <>
      <Problems problems={ownProblems(draft, node)} />
      {node.entries.map(({ key, node: inner }) => (
        <Part
          key={key}
          draft={draft}
          node={inner}
          schema={schemaAt(schema, key)}
          at={[...at, key]}
          optional={!needed.includes(key)}
          names={ownName(key) ? names : undefined}
          show={show}
        />
      ))}
      {named ? (
        <AddNamed draft={draft} node={node} schema={schema} at={at} />
      ) : (
        <AddKey draft={draft} node={node} schema={schema} at={at} />
      )}
    </>
  );
}

interface AddProps {
  draft: Draft;
  node: MapNode;
  schema: Schema;
  at: Place;
}

/** A key that is not there yet, with what it is for. */
function AddKey({ draft, node, schema, at }: AddProps) {
  const chosen = useSignal('');
  const there = new Set(node.entries.map(({ key }) => key));
  const absent = Object.entries(schema.properties ?? {}).filter(([key]) => !there.has(key));
  if (absent.length === 0) return null;
  const [key, inner] = absent.find(([one]) => one === chosen.value) ?? [];
  const add = async () => {
    if (key === undefined || !inner) return;
    const source = beginningOf(inner, freshName(draft));
    if (await draft.edit({ kind: 'insert', at: [...at, key], source })) chosen.value = '';
  };
  return (
    <div class="add-part">
      <label>
        <span>Add{at.length > 0 && ` to ${nameOf(node, at)}`}</span>
        <select
          value={chosen.value}
          onChange={(event) => {
            chosen.value = event.currentTarget.value;
          }}
        >
          <option value="">{absent.length} more…</option>
          {absent.map(([name]) => (
            <option key={name} value={name}>
              {name}
            </option>
          ))}
        </select>
      </label>
      <button type="button" class="button" disabled={key === undefined} onClick={() => void add()}>
        Add
      </button>
      {inner?.description && <p class="quiet small">{inner.description}</p>}
    </div>
  );
}

/** A part under a name of the user's. */
function AddNamed({ draft, node, schema, at }: AddProps) {
  const name = useSignal('');
  const inner = typeof schema.additionalProperties === 'object' ? schema.additionalProperties : {};
  const what = schema.propertyNames?.description ?? 'A name.';
  const taken = node.entries.some(({ key }) => key === name.value.trim());
  const add = async (event: Event) => {
    event.preventDefault();
    const key = name.value.trim();
    if (key === '' || taken) return;
    if (await draft.edit({ kind: 'insert', at: [...at, key], source: beginningOf(inner, freshName(draft)) })) name.value = '';
  };
  return (
    <form class="add-part" onSubmit={add}>
      <label>
        <span>New in {nameOf(node, at)}</span>
        <input
          type="text"
          value={name}
          autocapitalize="none"
          placeholder={what.replace(/\.$/, '')}
          onInput={(event) => {
            name.value = event.currentTarget.value;
          }}
        />
      </label>
      <button type="submit" class="button" disabled={name.value.trim() === '' || taken}>
        Add
      </button>
      {taken && <p class="small">There is one of this name already.</p>}
    </form>
  );
}

function List({ draft, node, schema, at, show }: PartProps & { node: ListNode; schema: Schema }) {
  const items = schema.items ?? {};
  const add = () => void draft.edit({ kind: 'insert', at: [...at, node.items.length], source: beginningOf(items, freshName(draft)) });
  return (
    <>
      <ol class="plain part-list">
        {node.items.map((item, i) => (
          <li key={i}>
            <Part draft={draft} node={item} schema={items} at={[...at, i]} optional show={show} />
            {node.items.length > 1 && <MoveUp draft={draft} node={node} at={at} i={i} />}
          </li>
        ))}
      </ol>
      <div class="add-part">
        <button type="button" class="button" onClick={add}>
          Add to {nameOf(node, at)}
        </button>
      </div>
    </>
  );
}

/** Items on one line each change places; longer ones are moved in the text, so that their comments move with them. */
function MoveUp({ draft, node, at, i }: { draft: Draft; node: ListNode; at: Place; i: number }) {
  const [above, own] = [node.items[i - 1]?.source, node.items[i]?.source];
  if (above === undefined || own === undefined) return null;
  return (
    <button
      type="button"
      class="button slim move-up"
      onClick={() => void draft.edit({ kind: 'set', at: [...at, i - 1], source: own }, { kind: 'set', at: [...at, i], source: above })}
    >
      Move up <span class="visually-hidden">{nameOf(node.items[i] as DraftNode, [...at, i])}</span>
    </button>
  );
}

/** What a part is called: its key, or for an item of a list the name that it gives itself. */
export function nameOf(node: DraftNode, at: Place): string {
  const key = at.at(-1);
  if (typeof key !== 'number') return key ?? 'the file';
  if (node.kind === 'map') {
    for (const wanted of ['name', 'as', 'device', 'listener', 'from']) {
      const found = node.entries.find((entry) => entry.key === wanted)?.node;
      if (found?.kind === 'scalar' && found.value !== '') return found.value;
    }
  }
  return node.kind === 'scalar' && node.value !== '' ? node.value : `${key + 1}`;
}

function aboutOf(node: DraftNode): string {
  if (node.source !== undefined) return node.source;
  if (node.kind === 'list') return node.items.length === 1 ? '1 part' : `${node.items.length} parts`;
  return node.kind === 'map' ? node.entries.map(({ key }) => key).join(', ') : '';
}

function freshName(draft: Draft): string {
  const all = [...draft.texts.value.values()].join('\n');
  for (let n = 1; ; n++) if (!new RegExp(`\\bnew_${n}\\b`).test(all)) return `new_${n}`;
}

function isAt(draft: Draft, problem: Problem, node: DraftNode): boolean {
  return problem.file === draft.path.value && problem.line === node.line && problem.column >= node.from && problem.column < node.to;
}

function childrenOf(node: DraftNode): DraftNode[] {
  return node.kind === 'map' ? node.entries.map((entry) => entry.node) : node.kind === 'list' ? node.items : [];
}

/** What is wrong with a part itself, and with nothing inside it. */
export function ownProblems(draft: Draft, node: DraftNode): Problem[] {
  const inner = childrenOf(node);
  return draft.problems.value.filter((problem) => isAt(draft, problem, node) && !inner.some((one) => holds(draft, one, problem)));
}

function holds(draft: Draft, node: DraftNode, problem: Problem): boolean {
  return isAt(draft, problem, node) || childrenOf(node).some((one) => holds(draft, one, problem));
}

function problemsIn(draft: Draft, node: DraftNode): number {
  return draft.problems.value.filter((problem) => holds(draft, node, problem)).length;
}
