// Writing into the log book from any page: who writes, kept in this browser, and what went wrong.
import './write-down.css';
import { signal } from '@preact/signals';
import type { ComponentChildren } from 'preact';
import type { LogEntry, LogEntryRequest } from '../../server/contract/log-book.ts';
import { attachmentBytesMax } from '../../server/contract/log-words.ts';
import { toBytesText } from '../shell/numbers.ts';
import { Problem, type Work } from '../shell/work.tsx';
import { ApiError, getJson, sendJson } from '../stream/api.ts';

const key = 'evenburn.by';

/** Who writes, as typed last in this browser. */
export const writer = signal(readWriter());

function readWriter(): string {
  try {
    return localStorage.getItem(key) ?? '';
  } catch {
    return '';
  }
}

/** All entries of the vehicle, oldest first; undefined until they have come. Shared by all pages. */
export const logEntries = signal<LogEntry[] | undefined>(undefined);

export async function readLog(): Promise<void> {
  logEntries.value = await getJson<LogEntry[]>('/api/log-book');
}

/** What a page gives; the writer's name is put to it. */
export type Unsigned<E = LogEntryRequest> = E extends unknown ? Omit<E, 'by' | 'note'> & { note?: string } : never;

/** On the disk when it resolves. @throws ApiError */
export async function writeDown(entry: Unsigned): Promise<LogEntry> {
  const by = writer.value.trim();
  const written = await sendJson<LogEntry>('POST', '/api/log-book', { ...entry, by: by === '' ? 'not named' : by });
  try {
    localStorage.setItem(key, by);
  } catch {
    // Private windows may refuse storage: the name then lives as long as the page.
  }
  logEntries.value = [...(logEntries.value ?? []), written];
  return written;
}

/** Keeps a photo or a log; its name goes into an entry. @throws ApiError */
export async function keepFile(file: File): Promise<string> {
  // A server that refuses a body half way is heard by no browser.
  if (file.size > attachmentBytesMax)
    throw new ApiError({
      error: 'PAGE_FILE_TOO_LARGE',
      message: `The file has ${toBytesText(file.size)}, and ${toBytesText(attachmentBytesMax)} are taken`,
      cure: 'Send a smaller picture, or a shorter stretch of the log.',
    });
  let answer: Response;
  try {
    answer = await fetch('/api/attachments', {
      method: 'POST',
      headers: { 'content-type': 'application/octet-stream', accept: 'application/json' },
      body: file,
    });
  } catch {
    throw new ApiError({ error: 'PAGE_NO_ANSWER', message: 'The program does not answer', cure: 'Is it still running?' });
  }
  const json = (await answer.json().catch(() => ({}))) as { name?: string; error?: string; message?: string; cure?: string };
  if (answer.ok && json.name !== undefined) return json.name;
  const { error = 'PAGE_NO_ANSWER', message = `The program answered ${answer.status}`, cure = 'Send it again.' } = json;
  throw new ApiError({ error, message, cure });
}

export function WriterField() {
  return (
    <label class="field">
      <span>Who writes</span>
      <input
        type="text"
        maxLength={60}
        value={writer}
        onInput={(event) => {
          writer.value = event.currentTarget.value;
        }}
      />
    </label>
  );
}

interface WritingFormProps {
  work: Work;
  /** Writes down what was filled in. What it throws is shown in the form. */
  save(given: FormData, form: HTMLFormElement): Promise<void>;
  button?: string;
  /** Not what the page is opened for. */
  slight?: boolean;
  /** Beside the button. */
  more?: ComponentChildren;
  children: ComponentChildren;
}

/** A form whose fields go into the log book. */
export function WritingForm({ work, save, button = 'Write it down', slight = false, more, children }: WritingFormProps) {
  return (
    <form
      class="form-grid"
      onSubmit={(event) => {
        event.preventDefault();
        const form = event.currentTarget;
        void work.run(() => save(new FormData(form), form));
      }}
    >
      <Problem text={work.problem.value} />
      {children}
      <WriterField />
      <div class="form-buttons">
        <button type="submit" class={slight ? 'button' : 'button main'} disabled={work.busy.value}>
          {button}
        </button>
        {more}
      </div>
    </form>
  );
}

/** What a field of a form holds, '' when nothing. */
export function textOf(given: FormData, name: string): string {
  return String(given.get(name) ?? '').trim();
}
