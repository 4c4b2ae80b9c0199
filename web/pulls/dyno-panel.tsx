// The dyno: its kind, gear and roller ratio, the air of the room, and its own log of torque laid on the session.
import type { LogEntryRequest } from '../../server/contract/log-book.ts';
import type { PullsView } from '../../server/contract/pulls.ts';
import { keepFile, logEntries, readLog, textOf, WritingForm, writeDown } from '../log-book/write-down.tsx';
import { toNumberText } from '../shell/numbers.ts';
import { shownUnit, toDeclaredValue, toQuantityText, toShownWord } from '../shell/units.ts';
import { Problem, useWork } from '../shell/work.tsx';

type DynoKind = NonNullable<Extract<LogEntryRequest, { kind: 'dyno' }>['dyno']>;

const kindWords: Record<DynoKind, string> = {
  inertia: 'inertia: it can not hold',
  brake: 'brake on rollers or hubs',
  engine: 'engine on a brake',
  chassis: 'chassis dyno with brake',
};

interface DynoProps {
  view: PullsView;
  session: number;
  changed(): Promise<void>;
}

export function DynoPanel({ view, session, changed }: DynoProps) {
  const { dyno, logs, pulls } = view;
  const said = [
    dyno.dyno ?? undefined,
    dyno.gear ? `gear ${dyno.gear}` : undefined,
    dyno.rollerRatio === null ? undefined : `${toNumberText(dyno.rollerRatio, 2)} turns of the engine for one of the roller`,
    dyno.stationKpa === null ? undefined : toQuantityText(dyno.stationKpa, 'kPa', { digits: 1 }),
    dyno.roomC === null ? undefined : toQuantityText(dyno.roomC, 'degC', { digits: 0 }),
    dyno.humidityPercent === null ? undefined : `${toNumberText(dyno.humidityPercent, 0)} % humidity`,
  ].filter((word) => word !== undefined);
  const holdsOnInertia = dyno.dyno === 'inertia' && pulls.some(({ kind }) => kind === 'hold');
  return (
    <details class="dyno-panel" open={dyno.dyno === null && pulls.length > 0}>
      <summary>Dyno: {said.length > 0 ? said.join(', ') : 'which kind is it?'}</summary>
      {holdsOnInertia && (
        <p class="problem">An inertia dyno can't hold: what stands here as a hold is coasting or road load. Take it out.</p>
      )}
      <DynoForm dyno={dyno} session={session} changed={changed} />
      <h3>Log of torque or power</h3>
      <TorqueLogs logs={logs} session={session} changed={changed} />
    </details>
  );
}

/** A value of `unit` in the unit shown, as a field of numbers takes it: a point, and no more digits than a barometer has. */
function toTypedText(value: number, unit: string): string {
  const { factor, offset } = shownUnit(unit);
  return String(factor === 1 && offset === 0 ? value : Number((value * factor + offset).toPrecision(6)));
}

function DynoForm({ dyno, session, changed }: Omit<DynoProps, 'view'> & { dyno: PullsView['dyno'] }) {
  const work = useWork();
  const save = async (given: FormData) => {
    const text = (name: string) => textOf(given, name);
    const number = <K extends string>(name: K) => (text(name) === '' ? {} : ({ [name]: Number(text(name)) } as Record<K, number>));
    const converted = (name: 'stationKpa' | 'roomC', unit: string) => {
      if (text(name) === '') return {};
      // What nobody touched stays as it was written down, to the last digit.
      const untouched = dyno[name] !== null && text(name) === toTypedText(dyno[name], unit);
      return { [name]: untouched ? dyno[name] : toDeclaredValue(Number(text(name)), unit) };
    };
    await writeDown({
      kind: 'dyno',
      session,
      ...(text('dyno') === '' ? {} : { dyno: text('dyno') as DynoKind }),
      ...(text('gear') === '' ? {} : { gear: text('gear') }),
      ...number('rollerRatio'),
      ...converted('stationKpa', 'kPa'),
      ...converted('roomC', 'degC'),
      ...number('humidityPercent'),
      holdsAbsolute: given.get('holdsAbsolute') !== null,
    });
    await changed();
  };
  const field = (
    name: 'rollerRatio' | 'stationKpa' | 'roomC' | 'humidityPercent',
    words: string,
    [min, max]: [number, number],
    unit = '',
  ) => (
    <label class="field">
      <span>{words}</span>
      <input
        type="number"
        name={name}
        step="any"
        min={toTypedText(min, unit)}
        max={toTypedText(max, unit)}
        defaultValue={dyno[name] === null ? '' : toTypedText(dyno[name], unit)}
      />
    </label>
  );
  return (
    <WritingForm work={work} save={save}>
      <label class="field">
        <span>Kind</span>
        <select name="dyno">
          <option value="">not said</option>
          {(Object.keys(kindWords) as DynoKind[]).map((kind) => (
            <option key={kind} value={kind} selected={dyno.dyno === kind}>
              {kindWords[kind]}
            </option>
          ))}
        </select>
      </label>
      <label class="field">
        <span>Gear</span>
        <input type="text" name="gear" maxLength={20} defaultValue={dyno.gear ?? ''} />
      </label>
      {field('rollerRatio', 'Engine turns for one of the roller', [0.001, 1000])}
      {field('stationKpa', `Station pressure, ${toShownWord('kPa')}, not reduced to sea level`, [50, 120], 'kPa')}
      {field('roomC', `Air at the intake, ${toShownWord('degC')}`, [-40, 80], 'degC')}
      {field('humidityPercent', 'Humidity, %', [0, 100])}
      <label class="tick">
        <input type="checkbox" name="holdsAbsolute" defaultChecked={dyno.holdsAbsolute} /> Boost is held to an absolute pressure
      </label>
    </WritingForm>
  );
}

function TorqueLogs({ logs, session, changed }: Omit<DynoProps, 'view'> & { logs: PullsView['logs'] }) {
  const { busy, problem, run } = useWork();
  const add = (input: HTMLInputElement) =>
    run(async () => {
      const file = input.files?.[0];
      if (!file) return;
      await writeDown({ kind: 'torque-log', session, file: await keepFile(file), name: file.name.slice(0, 120) || 'log' });
      input.value = '';
      await changed();
    });
  const takeOut = (name: string) =>
    run(async () => {
      await readLog();
      const entry = logEntries.value?.findLast((one) => one.kind === 'torque-log' && one.session === session && one.name === name);
      if (entry?.kind === 'torque-log') await writeDown({ kind: 'torque-log', session, file: entry.file, name, isNone: true });
      await changed();
    });
  return (
    <div class="torque-logs">
      <Problem text={problem.value} />
      <p class="small">
        A CSV with a heading: time, engine speed, and torque or power with their units. It is laid on the session by the trace of engine
        speed.
      </p>
      <label class="field">
        <span>CSV of the dyno</span>
        <input type="file" accept=".csv,.txt,text/csv" disabled={busy.value} onChange={(event) => void add(event.currentTarget)} />
      </label>
      <ul class="plain">
        {logs.map(({ name, rows, offsetS, rmsRpm, problems }) => (
          <li key={name}>
            <b>{name}</b>: {rows} rows,{' '}
            {offsetS === null
              ? 'not laid on the session'
              : `begins ${toNumberText(offsetS, 2)} s into the session, speeds differ by ${toNumberText(rmsRpm ?? 0, 0)} rpm`}
            {problems.map((words) => (
              <span key={words} class="problem small">
                {words}
              </span>
            ))}
            <button type="button" class="button slim" disabled={busy.value} onClick={() => void takeOut(name)}>
              Take it out
            </button>
          </li>
        ))}
      </ul>
    </div>
  );
}
