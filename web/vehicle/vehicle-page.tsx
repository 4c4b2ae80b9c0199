// The vehicle's files on a page: as forms and as text, with what is wrong at its place, undo, and a comparison before saving.
import './vehicle.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { DraftNode } from '../../server/contract/definitions.ts';
import { access } from '../access/access.ts';
import { type PageProps, toAddress } from '../router.tsx';
import { Problem } from '../shell/work.tsx';
import { getJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { DiffView } from './diff-view.tsx';
import { FileForm } from './file-form.tsx';
import { channelsList, devicesList } from './form-field.tsx';
import { NewFile } from './new-file.tsx';
import { draft } from './open-draft.ts';
import type { Schema } from './schema.ts';
import { ProblemList, TextEditor, type TextPlace } from './text-editor.tsx';

const lookAgainMs = 3000;

type View = 'form' | 'text' | 'save';

export function VehiclePage({ rest }: PageProps) {
  const feed = useFeed();
  const mayEdit = access.value?.role === 'crew';
  const schemas = useSignal<Record<string, Schema> | undefined>(undefined);
  const view = useSignal<View>('form');
  // Who may edit is heard after the page is there: until then, and for viewers, there is the text alone.
  const shown = mayEdit ? view.value : 'text';
  const place = useSignal<TextPlace | undefined>(undefined);
  const said = useSignal('');
  useEffect(() => {
    const look = () => void (document.hidden ? undefined : draft.read());
    look();
    getJson<Record<string, Schema>>('/api/definitions/schemas').then(
      (found) => {
        schemas.value = found;
      },
      () => undefined,
    );
    const timer = setInterval(look, lookAgainMs);
    return () => clearInterval(timer);
  }, []);
  useEffect(() => {
    const wanted = rest.join('/');
    if (wanted !== '' && draft.texts.value.has(wanted)) void draft.open(wanted);
  }, [rest.join('/')]);
  const show = (at: TextPlace, path = draft.path.value) => {
    view.value = 'text';
    const put = () => {
      place.value = { ...at };
    };
    if (path === draft.path.value) put();
    else void draft.open(path).then(put);
  };
  const showNode = ({ line, from, to }: DraftNode) => show({ line, column: from, endColumn: to });
  const schema = schemas.value?.[kindOf(draft.path.value)];
  return (
    <div class="page vehicle-page" data-view={shown}>
      <Head view={view} mayEdit={mayEdit} />
      <Problem text={draft.trouble.value} />
      <p role="status" class={said.value ? 'said' : 'visually-hidden'}>
        {said}
      </p>
      <ChangedOnDisk />
      {shown === 'save' ? (
        <DiffView
          draft={draft}
          onClose={() => {
            view.value = 'form';
          }}
          onSaved={() => {
            view.value = 'form';
            said.value = `Saved at ${new Date().toLocaleTimeString()}.`;
          }}
        />
      ) : (
        <div class="vehicle-columns">
          <div class="vehicle-files">
            <Files />
            {mayEdit && (
              <NewFile
                draft={draft}
                buses={(feed.vehicle.value?.buses ?? []).map(({ name }) => name)}
                onMade={() => {
                  view.value = 'form';
                }}
              />
            )}
          </div>
          {mayEdit && schema && (
            <section class="vehicle-form" aria-label={`Form of ${draft.path.value}`}>
              <Lists />
              <FileForm key={draft.path.value} draft={draft} schema={schema} show={showNode} />
              <RemoveFile />
            </section>
          )}
          <div class="vehicle-text">
            <TextEditor draft={draft} place={place.value} readOnly={!mayEdit} />
            {mayEdit && (
              <section aria-labelledby="problems-title">
                <h2 id="problems-title">What is wrong</h2>
                <ProblemList draft={draft} goTo={(problem) => show(problem, problem.file)} />
              </section>
            )}
          </div>
        </div>
      )}
    </div>
  );
}

function Head({ view, mayEdit }: { view: { value: View }; mayEdit: boolean }) {
  const changed = draft.changes.value.length;
  const errors = draft.errors.value.length;
  const choose = (next: View) => () => {
    view.value = next;
  };
  return (
    <div class="vehicle-head">
      <div>
        <h1>Vehicle files</h1>
        <p class="quiet small folder">{draft.base.value?.folder}</p>
      </div>
      {mayEdit ? (
        <div class="vehicle-tools">
          <div class="view-choice">
            <button type="button" class="button" aria-pressed={view.value === 'form'} onClick={choose('form')}>
              Form
            </button>
            <button type="button" class="button" aria-pressed={view.value === 'text'} onClick={choose('text')}>
              Text
            </button>
          </div>
          <button type="button" class="button" disabled={!draft.canUndo.value} onClick={() => void draft.undo()}>
            Undo
          </button>
          <button type="button" class="button" disabled={!draft.canRedo.value} onClick={() => void draft.redo()}>
            Redo
          </button>
          <button type="button" class={changed === 0 ? 'button' : 'button main'} disabled={changed === 0} onClick={choose('save')}>
            {changed === 0 ? 'No changes' : changed === 1 ? 'Compare and save 1 file' : `Compare and save ${changed} files`}
          </button>
          <span role="status" class={errors > 0 ? 'error-count' : 'quiet small'}>
            {errors === 0 ? 'No errors' : errors === 1 ? '1 error' : `${errors} errors`}
          </span>
        </div>
      ) : (
        <p>Only the crew changes files: log in as crew.</p>
      )}
      {mayEdit && (
        <nav class="ways-in" aria-label="Ways to describe a device">
          <a href={toAddress('begin')}>What is on your bus?</a>
          <a href={toAddress('tables')}>A table from its manual</a>
          <a href={toAddress('finder')}>Find a signal</a>
        </nav>
      )}
    </div>
  );
}

/** Somebody saved meanwhile: nothing of theirs is overwritten before it was looked at. */
function ChangedOnDisk() {
  const now = draft.onDisk.value;
  if (!now) return null;
  const names = now.files
    .filter(({ path, hash }) => draft.base.value?.files.find((file) => file.path === path)?.hash !== hash)
    .map(({ path }) => path);
  return (
    <section class="panel changed-on-disk" role="alert">
      <p>
        <b>Changed on disk meanwhile: {names.join(', ') || 'a file was removed'}.</b> What you changed here is not saved yet.
      </p>
      <div class="diff-acts">
        <button type="button" class="button" onClick={() => void draft.begin(now)}>
          Take what is on disk, drop my changes
        </button>
        <button type="button" class="button" onClick={() => draft.keepOnTop()}>
          Keep my files, compare with what is there now
        </button>
      </div>
    </section>
  );
}

function Files() {
  const changed = new Set(draft.changes.value.map(({ path }) => path));
  return (
    <nav aria-label="Files of the vehicle">
      <ul class="plain file-list">
        {[...draft.texts.value.keys()].sort(byPlace).map((path) => {
          const errors = draft.errors.value.filter(({ file }) => file === path).length;
          return (
            <li key={path}>
              <button
                type="button"
                class="button slim"
                aria-current={path === draft.path.value ? 'true' : undefined}
                onClick={() => void draft.open(path)}
              >
                <span>{path.replace(/^devices\//, '')}</span>
                {changed.has(path) && <span class="small">changed</span>}
                {errors > 0 && <span class="small error-count">{errors === 1 ? '1 error' : `${errors} errors`}</span>}
              </button>
            </li>
          );
        })}
      </ul>
    </nav>
  );
}

/** The vehicle, its harness, then devices. */
function byPlace(a: string, b: string): number {
  const rank = (path: string) => (path === 'vehicle.yaml' ? 0 : path === 'harness.yaml' ? 1 : 2);
  return rank(a) - rank(b) || a.localeCompare(b);
}

function RemoveFile() {
  const path = draft.path.value;
  if (path === 'vehicle.yaml' || path === '') return null;
  return (
    <button type="button" class="button remove-file" onClick={() => void draft.removeFile(path)}>
      Remove {path} when saving
    </button>
  );
}

/** Names that fields offer. */
function Lists() {
  const channels = useFeed().vehicle.value?.channels ?? [];
  const devices = [...draft.texts.value]
    .filter(([path]) => kindOf(path) === 'device')
    .map(([path, text]) => /^device:\s*["']?([\w-]+)/m.exec(text)?.[1] ?? path.replace(/^.*\/|\.ya?ml$/gi, ''));
  return (
    <>
      <datalist id={channelsList}>
        {channels.map(({ name }) => (
          <option key={name} value={name} />
        ))}
      </datalist>
      <datalist id={devicesList}>
        {devices.map((name) => (
          <option key={name} value={name} />
        ))}
      </datalist>
    </>
  );
}

function kindOf(path: string): string {
  return path === 'vehicle.yaml' ? 'vehicle' : path === 'harness.yaml' ? 'harness' : 'device';
}
