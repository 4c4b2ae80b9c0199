// Brings a recorded file in: choose it, see what it is, say what its columns hold where that can't be told, follow its way into a session.
import { type Signal, useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { FileLookView, ImportJob, ImportsView } from '../../server/contract/recorded-import.ts';
import type { VehicleView } from '../../server/contract/vehicle-view.ts';
import { Problem, useAttempts } from '../shell/work.tsx';
import { getJson, sendBytes, sendJson } from '../stream/api.ts';
import { ColumnMapping, toColumnsText } from './column-mapping.tsx';
import { ImportJobs, isUnderWay } from './import-jobs.tsx';

/** As much of a file as tells what it is. */
const lookBytes = 512 * 1024;
const refreshMs = 700;

interface Chosen {
  file: File;
  look: FileLookView;
  bus: string;
  columns: Record<string, string>;
  /** The look is of an earlier choice. */
  isLooking: boolean;
}

interface Sending {
  name: string;
  share: number;
  stop: AbortController;
}

export function ImportPanel({ imported }: { imported(): Promise<void> }) {
  const chosen = useSignal<Chosen | undefined>(undefined);
  const buses = useSignal<string[]>([]);
  const sending = useSignal<Sending | undefined>(undefined);
  const jobs = useSignal<ImportJob[]>([]);
  const { problem, attempt } = useAttempts();
  const refresh = useJobs(jobs, imported);
  const asked = useRef(0);
  const look = (file: File, bus: string, columns: Record<string, string>) =>
    attempt(async () => {
      const mine = ++asked.current;
      // What was chosen shows at once; of several answers on their way only the last one counts.
      if (chosen.value?.file === file) chosen.value = { ...chosen.value, bus, columns, isLooking: true };
      if (buses.value.length === 0) buses.value = (await getJson<VehicleView>('/api/vehicle')).buses.map(({ name }) => name);
      const seen = await sendBytes<FileLookView>(`/api/imports/look?${queryOf(file, bus, columns)}`, file.slice(0, lookBytes));
      if (mine === asked.current) chosen.value = { file, look: seen, bus, columns, isLooking: false };
    });
  const send = ({ file, bus, columns }: Chosen) =>
    attempt(async () => {
      const stop = new AbortController();
      const onShare = (share: number) => {
        sending.value = { name: file.name, share, stop };
      };
      onShare(0);
      try {
        await sendBytes<ImportJob>(`/api/imports?${queryOf(file, bus, columns)}`, file, { signal: stop.signal, onShare });
        chosen.value = undefined;
      } catch (error) {
        if (!stop.signal.aborted) throw error;
      } finally {
        sending.value = undefined;
        await refresh();
      }
    });
  const cancel = (job: number) => attempt(() => sendJson('DELETE', `/api/imports/${job}`, undefined).then(refresh));
  return (
    <details class="panel import-panel">
      <summary>Import a recording</summary>
      <FileChoice choose={(file) => void look(file, '', {})} busy={sending.value !== undefined} />
      <Problem text={problem.value} />
      {chosen.value && !sending.value && (
        <ChosenFile
          chosen={chosen.value}
          buses={buses.value}
          change={(bus, columns) => void look((chosen.value as Chosen).file, bus, columns)}
          send={() => void send(chosen.value as Chosen)}
        />
      )}
      {sending.value && <OnItsWay sending={sending.value} />}
      <ImportJobs jobs={jobs.value} cancel={cancel} />
    </details>
  );
}

/** Keeps the list of imports up to date while one is under way. */
function useJobs(jobs: Signal<ImportJob[]>, imported: () => Promise<void>): () => Promise<void> {
  const refresh = async () => {
    const before = jobs.peek().filter(isUnderWay).length;
    const view = await getJson<ImportsView>('/api/imports').catch(() => ({ jobs: jobs.peek() }));
    jobs.value = view.jobs;
    if (view.jobs.filter(isUnderWay).length < before) await imported();
  };
  useEffect(() => {
    void refresh();
    const timer = setInterval(() => !document.hidden && jobs.peek().some(isUnderWay) && void refresh(), refreshMs);
    return () => clearInterval(timer);
  }, []);
  return refresh;
}

function queryOf(file: File, bus: string, columns: Record<string, string>): URLSearchParams {
  const text = toColumnsText(columns);
  return new URLSearchParams({ name: file.name, ...(bus === '' ? {} : { bus }), ...(text === '' ? {} : { columns: text }) });
}

function FileChoice({ choose, busy }: { choose(file: File): void; busy: boolean }) {
  return (
    <label class="import-file">
      A text log, pcap, pcapng or CSV of CAN frames, any of them as gzip; or a session that was handed over
      <input
        type="file"
        disabled={busy}
        onChange={(event) => {
          const [file] = event.currentTarget.files ?? [];
          if (file) choose(file);
        }}
      />
    </label>
  );
}

interface ChosenFileProps {
  chosen: Chosen;
  buses: string[];
  change(bus: string, columns: Record<string, string>): void;
  send(): void;
}

function ChosenFile({ chosen, buses, change, send }: ChosenFileProps) {
  const { file, look, bus, columns, isLooking } = chosen;
  const ready =
    !isLooking &&
    look.problem === '' &&
    look.format !== '' &&
    (look.frames > 0 || look.format === 'session' || look.unmatched.length === 0);
  return (
    <div class="import-chosen">
      <p role="status">{toWords(chosen)}</p>
      {look.headers.length > 0 && <ColumnMapping look={look} columns={columns} change={(next) => change(bus, next)} />}
      {buses.length > 1 && look.format !== 'session' && look.format !== '' && (
        <label>
          Bus
          <select value={bus} onChange={(event) => change(event.currentTarget.value, columns)}>
            <option value="">as the file's interface names say</option>
            {buses.map((name) => (
              <option key={name} value={name}>
                all frames are of {name}
              </option>
            ))}
          </select>
        </label>
      )}
      <button type="button" class="button main" disabled={!ready} onClick={send}>
        Import {file.name}
      </button>
    </div>
  );
}

function toWords({ file, look }: Chosen): string {
  const size = file.size < 1e6 ? `${Math.ceil(file.size / 1000)} kB` : `${(file.size / 1e6).toFixed(1)} MB`;
  if (look.format === '') return `${file.name}, ${size}: not a recording that can be read: ${look.problem}`;
  if (look.format === 'session') return `${file.name}, ${size}: a recorded session, taken in as it is.`;
  const others =
    look.unmatched.length === 0 ? '' : ` Frames of ${look.unmatched.join(', ')} belong to no bus of the vehicle and are left out.`;
  if (look.problem !== '' && look.headers.length > 0) return `${file.name}, ${size}: a table. Say which column holds what.`;
  if (look.frames === 0 && others === '') return `${file.name}, ${size}: ${look.format}, without a frame in its beginning.`;
  return `${file.name}, ${size}: ${look.format}; its beginning reads well.${others}`;
}

function OnItsWay({ sending }: { sending: Sending }) {
  return (
    <p class="import-job">
      <span>{sending.name} is sent</span>
      <progress value={sending.share} max={1} aria-label={`${sending.name} is sent`} />
      <span>{Math.floor(sending.share * 100)} %</span>
      <button type="button" class="button" onClick={() => sending.stop.abort()}>
        Cancel
      </button>
    </p>
  );
}
