// Tells on standard error how far a file is read: a line that is written over on a terminal, else a line now and then. Ctrl-C ends the reading.
import { machineClock } from '../clock.ts';
import { PaceMeter, type ReadingPace } from '../exchange/reading-pace.ts';
import type { RecordedFile } from '../exchange/recorded-file.ts';

const monotonicMs = () => machineClock.monotonicUs() / 1000;
const terminalMs = 250;
const logMs = 5000;

/**
 * Progress of `file` until the returned function is called. On a terminal that shows the answer too nothing is told: the lines would mix.
 * @param isAnswerShown The answer is long and goes to the same terminal.
 */
export function showProgress(file: Pick<RecordedFile, 'counts' | 'progress'>, what: string, isAnswerShown = false): () => void {
  const { stderr, stdout } = process;
  if (stderr.isTTY && isAnswerShown && stdout.isTTY) return () => undefined;
  const meter = new PaceMeter(file, monotonicMs());
  const tell = () => {
    const text = `${what}: ${toProgressText(meter.look(monotonicMs()), machineClock.wallMs())}`;
    stderr.write(stderr.isTTY ? `\r\x1b[K${text}` : `${text}\n`);
  };
  const timer = setInterval(tell, stderr.isTTY ? terminalMs : logMs);
  return () => {
    clearInterval(timer);
    if (stderr.isTTY) stderr.write('\r\x1b[K');
  };
}

/** Worked: half of a file at 120,000 frames a second with 30 s left at noon: `50 %, 3600000 frames, 120000 frames/s, 30 s left, done at 12:00:30`. */
export function toProgressText({ share, frames, framesPerSecond, secondsLeft }: ReadingPace, wallMs: number): string {
  const parts = share === undefined ? [] : [`${Math.floor(share * 100)} %`];
  parts.push(`${frames} frames`, `${Math.round(framesPerSecond)} frames/s`);
  if (secondsLeft !== undefined) {
    const end = new Date(wallMs + secondsLeft * 1000);
    const two = (n: number) => String(n).padStart(2, '0');
    parts.push(`${toDuration(secondsLeft)} left`, `done at ${two(end.getHours())}:${two(end.getMinutes())}:${two(end.getSeconds())}`);
  }
  return parts.join(', ');
}

function toDuration(seconds: number): string {
  const whole = Math.ceil(seconds);
  if (whole < 120) return `${whole} s`;
  return whole < 7200 ? `${Math.round(whole / 60)} min` : `${Math.round(whole / 3600)} h`;
}

/** Aborted by Ctrl-C; a second one ends the program at once. */
export function stoppedByHand(): AbortSignal {
  const stopping = new AbortController();
  process.once('SIGINT', () => {
    stopping.abort();
    process.once('SIGINT', () => process.exit(130));
  });
  return stopping.signal;
}
