// The log of changes: plan, trims, pressure, fuel, plugs with a sheet and a photo a cylinder, parts; newest first.
import { useSignal } from '@preact/signals';
import type { LogEntryRequest } from '../../server/contract/log-book.ts';
import { changeWords, toEntryText } from '../../server/contract/log-words.ts';
import { keepFile, logEntries, textOf, WritingForm, writeDown } from '../log-book/write-down.tsx';
import { useWork } from '../shell/work.tsx';
import { useFeed } from '../stream/feed.ts';

type ChangeWhat = Extract<LogEntryRequest, { kind: 'change' }>['what'];

export function LogSection() {
  const entries = logEntries.value;
  return (
    <section class="change-log" aria-labelledby="log-title">
      <h2 id="log-title">Log of changes</h2>
      <p class="small">
        Nothing in it is changed or taken back: a later entry answers an earlier one. Each stands on the time line of its session and in its
        report.
      </p>
      <ChangeForm />
      <PlugForm />
      <h3>Written down</h3>
      {entries === undefined && <p role="status">Reading the log.</p>}
      {entries?.length === 0 && <p>Nothing yet.</p>}
      <ol class="plain log-rows">
        {[...(entries ?? [])].reverse().map((entry) => (
          <li key={entry.entry} class="panel log-row" data-kind={entry.kind}>
            <p class="small quiet">
              {entry.entry}. {new Date(entry.wallMs).toLocaleString()}, {entry.by}
              {entry.session === null ? '' : `, session ${entry.session}`}
            </p>
            <p>{toEntryText(entry)}</p>
            {entry.note && <p class="small">{entry.note}</p>}
            {entry.kind === 'plug-sheet' && entry.photo && (
              <a href={`/api/attachments/${entry.photo}`} target="_blank" rel="noreferrer">
                <img class="plug-photo" src={`/api/attachments/${entry.photo}`} alt={`Plug of cylinder ${entry.cylinder}`} loading="lazy" />
              </a>
            )}
          </li>
        ))}
      </ol>
    </section>
  );
}

function ChangeForm() {
  const work = useWork();
  const what = useSignal<ChangeWhat>('plan');
  const save = async (given: FormData, form: HTMLFormElement) => {
    const text = (name: string) => textOf(given, name);
    const cylinders = text('cylinders')
      .split(/[^0-9]+/)
      .filter(Boolean)
      .map(Number);
    await writeDown({
      kind: 'change',
      what: what.value,
      ...(text('from') ? { from: text('from') } : {}),
      ...(text('to') ? { to: text('to') } : {}),
      ...(cylinders.length > 0 ? { cylinders } : {}),
      note: text('note'),
    });
    form.reset();
  };
  return (
    <details open>
      <summary>A change</summary>
      <WritingForm work={work} save={save}>
        <label class="field">
          <span>What</span>
          <select
            name="what"
            value={what.value}
            onChange={(event) => {
              what.value = event.currentTarget.value as ChangeWhat;
            }}
          >
            {(Object.keys(changeWords) as ChangeWhat[]).map((key) => (
              <option key={key} value={key}>
                {changeWords[key]}
              </option>
            ))}
          </select>
        </label>
        <label class="field">
          <span>From</span>
          <input type="text" name="from" maxLength={200} />
        </label>
        <label class="field">
          <span>To</span>
          <input type="text" name="to" maxLength={200} />
        </label>
        <label class="field">
          <span>Cylinders, such as 1, 4</span>
          <input type="text" name="cylinders" maxLength={100} inputMode="numeric" />
        </label>
        <label class="field wide">
          <span>Note</span>
          <input type="text" name="note" maxLength={2000} />
        </label>
      </WritingForm>
    </details>
  );
}

function PlugForm() {
  const work = useWork();
  const cylinders = useFeed().vehicle.value?.engine?.cylinders.map(({ cylinder }) => cylinder) ?? [1];
  const save = async (given: FormData, form: HTMLFormElement) => {
    const text = (name: string) => textOf(given, name);
    const photo = given.get('photo');
    const kept = photo instanceof File && photo.size > 0 ? { photo: await keepFile(photo) } : {};
    await writeDown({
      kind: 'plug-sheet',
      cylinder: Number(text('cylinder')),
      plug: text('plug'),
      look: text('look'),
      note: text('note'),
      ...kept,
    });
    form.reset();
  };
  return (
    <details>
      <summary>A spark plug's sheet</summary>
      <p class="small">Plugs tell after a clean cut at full load: ignition off and clutch in at once, and no idling afterwards.</p>
      <WritingForm work={work} save={save} slight>
        <label class="field">
          <span>Cylinder</span>
          <select name="cylinder">
            {cylinders.map((n) => (
              <option key={n} value={String(n)}>
                {n}
              </option>
            ))}
          </select>
        </label>
        <label class="field">
          <span>Plug</span>
          <input type="text" name="plug" maxLength={60} />
        </label>
        <label class="field wide">
          <span>How it looks</span>
          <input type="text" name="look" maxLength={400} />
        </label>
        <label class="field wide">
          <span>Photo, JPEG or PNG, 8 MB at most</span>
          <input type="file" name="photo" accept="image/jpeg,image/png" />
        </label>
        <label class="field wide">
          <span>Note</span>
          <input type="text" name="note" maxLength={2000} />
        </label>
      </WritingForm>
    </details>
  );
}
