// The editor's draft: the vehicle's files as this page has changed them, tried out by the server after each change, with undo and redo.
import { computed, signal } from '@preact/signals';
import type { DefinitionsView, DraftEdit, DraftNode, DraftView, SaveRequest } from '../../server/contract/definitions.ts';
import type { VehicleView } from '../../server/contract/vehicle-view.ts';
import { ApiError, getJson, sendJson, toProblem } from '../stream/api.ts';

export type Problem = VehicleView['problems'][number];
type Texts = ReadonlyMap<string, string>;

export interface Renamed {
  /** `placeKey` of the place as it is now. */
  at: string;
  was: string;
  /** Problems that came with it: whatever names it still by what it was. */
  came: Problem[];
}

/** Typing rests this long before the server is asked. */
const typingRestMs = 300;
/** Letters typed within this time of one another are undone together. */
const typingTogetherMs = 1500;
const undoMax = 200;

export class Draft {
  /** The files as they were read last. */
  readonly base = signal<DefinitionsView | undefined>(undefined);
  readonly texts = signal<Texts>(new Map());
  /** The file that is open. */
  readonly path = signal('vehicle.yaml');
  readonly tree = signal<DraftNode | null>(null);
  readonly problems = signal<Problem[]>([]);
  /** Why the last request failed. */
  readonly trouble = signal('');
  /** The files on disk when they are others than those that the draft began with. */
  readonly onDisk = signal<DefinitionsView | undefined>(undefined);
  /** What the last change renamed, while nothing else was changed. */
  readonly renamed = signal<Renamed | undefined>(undefined);
  readonly canUndo = signal(false);
  readonly canRedo = signal(false);
  /** Counts changes; a request is for one of them. */
  private version = 0;
  private before: Texts[] = [];
  private after: Texts[] = [];
  private lastTyped = 0;
  private rest: ReturnType<typeof setTimeout> | undefined;
  private working: Promise<void> = Promise.resolve();

  readonly changes = computed((): SaveRequest['changes'] => {
    const files = this.base.value?.files ?? [];
    const now = this.texts.value;
    const gone = files.filter(({ path }) => !now.has(path)).map(({ path, hash }) => ({ path, text: null, hash }));
    const written = [...now].flatMap(([path, text]) => {
      const file = files.find((one) => one.path === path);
      return file?.text === text ? [] : [{ path, text, hash: file?.hash ?? null }];
    });
    return [...written, ...gone];
  });
  readonly errors = computed(() => this.problems.value.filter(({ severity }) => severity === 'error'));

  /** Reads the files; a draft with changes keeps them, and what is on disk is shown beside it when it has changed. */
  async read(): Promise<void> {
    await this.tell(async () => {
      const view = await getJson<DefinitionsView>('/api/definitions');
      if (this.base.value === undefined || this.changes.value.length === 0) await this.begin(view);
      else this.onDisk.value = sameFiles(view, this.base.value) ? undefined : view;
    });
  }

  /** Begins anew from these files. */
  async begin(view: DefinitionsView): Promise<void> {
    const unchanged = this.base.value && sameFiles(view, this.base.value) && this.changes.value.length === 0;
    this.base.value = view;
    this.onDisk.value = undefined;
    if (!unchanged) {
      this.before = [];
      this.after = [];
      this.put(new Map(view.files.map(({ path, text }) => [path, text])));
    }
    if (!this.texts.value.has(this.path.value)) this.path.value = this.texts.value.has('vehicle.yaml') ? 'vehicle.yaml' : '';
    await this.check();
  }

  /** Keeps this draft, made on top of what is on disk now: saving writes over it. */
  keepOnTop(): void {
    if (!this.onDisk.value) return;
    this.base.value = this.onDisk.value;
    this.onDisk.value = undefined;
  }

  async open(path: string): Promise<void> {
    this.path.value = path;
    this.tree.value = null;
    await this.check();
  }

  /** Changes of a form: one step to undo. Resolves to false when they could not be made; `trouble` says why. */
  edit(...edits: DraftEdit[]): Promise<boolean> {
    return this.change(edits);
  }

  /** One step to undo. What names it elsewhere is left as it is, and what dangles then is in `renamed`. */
  rename(at: readonly (string | number)[], name: string): Promise<boolean> {
    const before = new Set(this.problems.value.map(toProblemKey));
    return this.change([{ kind: 'rename', at: [...at], value: name }], ({ problems }) => {
      const came = problems.filter((problem) => !before.has(toProblemKey(problem)));
      this.renamed.value = { at: placeKey([...at.slice(0, -1), name]), was: String(at.at(-1)), came };
    });
  }

  /** @param note Called before the answer is shown. */
  private async change(edits: DraftEdit[], note?: (answer: DraftView) => void): Promise<boolean> {
    let done = false;
    this.working = this.working.then(async () => {
      await this.tell(async () => {
        const path = this.path.value;
        const answer = await this.ask(path, edits);
        this.remember();
        this.put(new Map([...this.texts.value, [path, answer.text]]));
        note?.(answer);
        this.show(answer);
        done = true;
      });
    });
    await this.working;
    return done;
  }

  /** Letters in the text. */
  type(text: string): void {
    const now = performance.now();
    if (now - this.lastTyped > typingTogetherMs) this.remember();
    this.lastTyped = now;
    this.put(new Map([...this.texts.value, [this.path.value, text]]));
    clearTimeout(this.rest);
    this.rest = setTimeout(() => void this.check(), typingRestMs);
  }

  async addFile(path: string, text: string): Promise<void> {
    this.remember();
    this.put(new Map([...this.texts.value, [path, text]]));
    await this.open(path);
  }

  /** The device's name at the end of the bus's list in the vehicle's file, unless it is there already. */
  async putOnBus(bus: string, device: string): Promise<void> {
    await this.open('vehicle.yaml');
    const devices = findNode(this.tree.value, ['buses', bus, 'devices']);
    if (devices?.kind !== 'list') await this.edit({ kind: 'insert', at: ['buses', bus, 'devices'], source: `[${device}]` });
    else if (!devices.items.some((item) => item.kind === 'scalar' && item.value === device)) {
      await this.edit({ kind: 'insert', at: ['buses', bus, 'devices', devices.items.length], value: device });
    }
  }

  async removeFile(path: string): Promise<void> {
    this.remember();
    this.put(new Map([...this.texts.value].filter(([one]) => one !== path)));
    await this.open('vehicle.yaml');
  }

  async undo(): Promise<void> {
    await this.step(this.before, this.after);
  }

  async redo(): Promise<void> {
    await this.step(this.after, this.before);
  }

  /** @returns whether it was written; `trouble` says why not */
  async save(despiteErrors: boolean): Promise<boolean> {
    let saved = false;
    await this.tell(async () => {
      try {
        const view = await sendJson<DefinitionsView>('POST', '/api/definitions/save', { changes: this.changes.value, despiteErrors });
        this.base.value = view;
        saved = true;
      } catch (error) {
        if (error instanceof ApiError && error.code === 'DEFINITION_CHANGED') await this.read();
        throw error;
      }
    });
    return saved;
  }

  private async step(from: Texts[], to: Texts[]): Promise<void> {
    const texts = from.pop();
    if (!texts) return;
    to.push(this.texts.value);
    this.put(texts);
    if (!texts.has(this.path.value)) this.path.value = 'vehicle.yaml';
    await this.check();
  }

  private remember(): void {
    this.before.push(this.texts.value);
    if (this.before.length > undoMax) this.before.shift();
    this.after = [];
  }

  private put(texts: Texts): void {
    this.version++;
    this.renamed.value = undefined;
    this.texts.value = texts;
    this.canUndo.value = this.before.length > 0;
    this.canRedo.value = this.after.length > 0;
  }

  /** What the server says of the draft as it stands; an answer that a later change has overtaken is dropped. */
  private async check(): Promise<void> {
    const { version } = this;
    const path = this.path.value;
    if (!this.texts.value.has(path)) return;
    await this.tell(async () => {
      const answer = await this.ask(path, []);
      if (version === this.version && path === this.path.value) this.show(answer);
    });
  }

  private ask(path: string, edits: DraftEdit[]): Promise<DraftView> {
    const files = [...this.texts.value].map(([one, text]) => ({ path: one, text }));
    return sendJson<DraftView>('POST', '/api/definitions/draft', { files, path, edits });
  }

  private show({ tree, problems }: DraftView): void {
    this.tree.value = tree;
    this.problems.value = problems;
  }

  private async tell(work: () => Promise<void>): Promise<void> {
    try {
      await work();
      this.trouble.value = '';
    } catch (error) {
      this.trouble.value = toProblem(error);
    }
  }
}

export function placeKey(at: readonly (string | number)[]): string {
  return JSON.stringify(at.map(String));
}

function toProblemKey({ file, code, say }: Problem): string {
  return [file, code, say].join(' ');
}

function findNode(node: DraftNode | null, keys: readonly string[]): DraftNode | undefined {
  const [key, ...rest] = keys;
  if (key === undefined) return node ?? undefined;
  const inner = node?.kind === 'map' ? node.entries.find((entry) => entry.key === key)?.node : undefined;
  return inner && findNode(inner, rest);
}

function sameFiles(a: DefinitionsView, b: DefinitionsView): boolean {
  const hashes = ({ files }: DefinitionsView) => JSON.stringify(files.map(({ path, hash }) => [path, hash]));
  return hashes(a) === hashes(b);
}
