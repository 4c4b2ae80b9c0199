// How far the reading of a recorded file is, how fast it goes, and when it will be done.
import type { RecordedFile } from './recorded-file.ts';

export interface ReadingPace {
  frames: number;
  /** Of the file's bytes, 0 to 1; undefined where its length isn't known. */
  share: number | undefined;
  framesPerSecond: number;
  /** Undefined until it can be told. */
  secondsLeft: number | undefined;
}

/** The pace is that of the last seconds: a file may begin with short frames and go on with long ones. */
const windowMs = 5000;
const paceFromMs = 300;

interface Look {
  atMs: number;
  frames: number;
  bytes: number;
}

/**
 * Watches one file being read; asked now and then, with the time of a monotonic clock.
 * Worked: 40 of 100 bytes and 200 frames after 2 s are 100 frames a second, and 60 bytes at 20 a second take 3 s more.
 */
export class PaceMeter {
  private readonly file: Pick<RecordedFile, 'counts' | 'progress'>;
  private readonly looks: Look[];

  constructor(file: Pick<RecordedFile, 'counts' | 'progress'>, nowMs: number) {
    this.file = file;
    this.looks = [{ atMs: nowMs, frames: 0, bytes: 0 }];
  }

  look(nowMs: number): ReadingPace {
    const { counts, progress } = this.file;
    const now: Look = { atMs: nowMs, frames: counts.frames, bytes: progress.bytesRead };
    this.looks.push(now);
    while (this.looks.length > 2 && nowMs - (this.looks[1] as Look).atMs >= windowMs) this.looks.shift();
    const first = this.looks[0] as Look;
    const seconds = (nowMs - first.atMs) / 1000;
    const total = progress.bytesTotal;
    const share = total === undefined ? undefined : total === 0 ? 1 : Math.min(1, now.bytes / total);
    if (seconds < paceFromMs / 1000) return { frames: now.frames, share, framesPerSecond: 0, secondsLeft: undefined };
    const bytesPerSecond = (now.bytes - first.bytes) / seconds;
    const left = total === undefined || bytesPerSecond <= 0 ? undefined : Math.max(0, total - now.bytes) / bytesPerSecond;
    return { frames: now.frames, share, framesPerSecond: (now.frames - first.frames) / seconds, secondsLeft: left };
  }
}
