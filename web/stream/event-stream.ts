// A stream of server-sent events that is opened again for as long as its page wants it.

/** What a browser leaves closed, a refusal of the server, is tried again after this. */
const againMs = 5000;

/** Hears every line of `path` as JSON. @returns Ends it. */
export function hearEvents<T>(path: string, hear: (line: T) => void, told: { opened?(): void; lost(): void }): () => void {
  let source: EventSource;
  let timer: ReturnType<typeof setTimeout> | undefined;
  const open = () => {
    source = new EventSource(path);
    source.onopen = () => told.opened?.();
    source.onmessage = ({ data }: MessageEvent<string>) => hear(JSON.parse(data) as T);
    source.onerror = () => {
      told.lost();
      // A connection that broke browsers open again by themselves; one that was refused they don't.
      if (source.readyState === EventSource.CLOSED) timer = setTimeout(open, againMs);
    };
  };
  open();
  return () => {
    clearTimeout(timer);
    source.close();
  };
}
