// Requests to /api of the server that this page came from; every refusal becomes an ApiError with its cure.
import type { ErrorView } from '../../server/contract/error.ts';

export class ApiError extends Error {
  readonly code: string;
  readonly cure: string;

  constructor(view: ErrorView) {
    super(view.message);
    this.code = view.error;
    this.cure = view.cure;
  }
}

/** What went wrong and what to do, in words. */
export function toProblem(error: unknown): string {
  return error instanceof ApiError ? `${error.message}. ${error.cure}` : String(error);
}

const noAnswer: ErrorView = {
  error: 'PAGE_NO_ANSWER',
  message: 'The program does not answer',
  cure: 'Is it still running, and is this device still on the same network?',
};

/** @throws ApiError */
export async function getJson<T>(path: string): Promise<T> {
  return askJson<T>('GET', path, undefined);
}

/** @throws ApiError */
export async function sendJson<T>(method: 'POST' | 'PUT' | 'PATCH' | 'DELETE', path: string, body: unknown): Promise<T> {
  return askJson<T>(method, path, body);
}

/** How far a file is sent, 0 to 1, and what stops it. */
interface SendOptions {
  signal?: AbortSignal;
  onShare?(share: number): void;
}

/** Sends a file's bytes as they are. @throws ApiError; also when it was stopped */
export function sendBytes<T>(path: string, bytes: Blob, { signal, onShare }: SendOptions = {}): Promise<T> {
  // The only way that browsers tell how far a body has gone out.
  const request = new XMLHttpRequest();
  return new Promise((resolve, reject) => {
    request.open('POST', path);
    request.setRequestHeader('accept', 'application/json');
    request.setRequestHeader('content-type', 'application/octet-stream');
    request.upload.onprogress = ({ loaded, total }) => onShare?.(total === 0 ? 1 : loaded / total);
    request.onload = () => {
      const json = parse(request.responseText);
      if (request.status >= 200 && request.status < 300) resolve(json as T);
      else reject(new ApiError(isErrorView(json) ? json : { ...noAnswer, message: `The program answered ${request.status}` }));
    };
    request.onerror = () => reject(new ApiError(noAnswer));
    request.onabort = () => reject(new ApiError({ ...noAnswer, message: 'Stopped', cure: 'Send it again.' }));
    signal?.addEventListener('abort', () => request.abort());
    request.send(bytes);
  });
}

async function askJson<T>(method: string, path: string, body: unknown): Promise<T> {
  const init: RequestInit = { method, headers: { accept: 'application/json' } };
  if (body !== undefined) {
    init.headers = { accept: 'application/json', 'content-type': 'application/json' };
    init.body = JSON.stringify(body);
  }
  let answer: Response;
  try {
    answer = await fetch(path, init);
  } catch {
    throw new ApiError(noAnswer);
  }
  const text = await answer.text();
  const json: unknown = text === '' ? undefined : parse(text);
  if (answer.ok) return json as T;
  throw new ApiError(isErrorView(json) ? json : { ...noAnswer, message: `The program answered ${answer.status} ${answer.statusText}` });
}

function parse(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

function isErrorView(json: unknown): json is ErrorView {
  return typeof json === 'object' && json !== null && 'error' in json && 'message' in json && 'cure' in json;
}
