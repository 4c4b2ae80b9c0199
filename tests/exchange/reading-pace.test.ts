// Progress of a file being read: share, rate, and the end that follows from them, in numbers and in words.
import { describe, expect, it } from 'vitest';
import { toProgressText } from '../../server/commands/progress-line.ts';
import { Intake } from '../../server/exchange/intake.ts';
import { PaceMeter } from '../../server/exchange/reading-pace.ts';

function reading(bytesTotal: number | undefined) {
  const { counts } = new Intake([]);
  const progress = { bytesRead: 0, bytesTotal };
  return {
    counts,
    progress,
    to: (frames: number, bytes: number) => Object.assign(counts, { frames }) && Object.assign(progress, { bytesRead: bytes }),
  };
}

describe('the pace of a reading', () => {
  it('is frames a second, and the rest of the bytes at the present rate', () => {
    const file = reading(100);
    const meter = new PaceMeter(file, 1000);
    file.to(200, 40);
    expect(meter.look(3000)).toEqual({ frames: 200, share: 0.4, framesPerSecond: 100, secondsLeft: 3 });
  });

  it('is that of the last five seconds, not of the whole time', () => {
    const file = reading(10_000);
    const meter = new PaceMeter(file, 0);
    for (let second = 1; second <= 20; second++) {
      file.to(second <= 10 ? second : 10 + (second - 10) * 100, second <= 10 ? second : 10 + (second - 10) * 100);
      meter.look(second * 1000);
    }
    expect(meter.look(20_000)).toMatchObject({ framesPerSecond: 100, secondsLeft: (10_000 - 1010) / 100 });
  });

  it('says nothing of the end where the length is not known, or nothing moves', () => {
    const pipe = reading(undefined);
    const meter = new PaceMeter(pipe, 0);
    pipe.to(10, 10);
    expect(meter.look(1000)).toEqual({ frames: 10, share: undefined, framesPerSecond: 10, secondsLeft: undefined });
    expect(new PaceMeter(reading(10), 0).look(2000)).toEqual({ frames: 0, share: 0, framesPerSecond: 0, secondsLeft: undefined });
    expect(new PaceMeter(reading(0), 0).look(2000).share).toBe(1);
  });

  it('is told in words with the end in time of day', () => {
    const noon = new Date(2026, 0, 31, 12, 0, 0).getTime();
    expect(toProgressText({ frames: 3_600_000, share: 0.5, framesPerSecond: 120_000, secondsLeft: 30 }, noon)).toBe(
      '50 %, 3600000 frames, 120000 frames/s, 30 s left, done at 12:00:30',
    );
    expect(toProgressText({ frames: 7, share: 0.999, framesPerSecond: 0.4, secondsLeft: 3600 }, noon)).toBe(
      '99 %, 7 frames, 0 frames/s, 60 min left, done at 13:00:00',
    );
    expect(toProgressText({ frames: 7, share: undefined, framesPerSecond: 3, secondsLeft: undefined }, noon)).toBe('7 frames, 3 frames/s');
  });
});
