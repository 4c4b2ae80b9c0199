// Frames that the scripted station shows: one defined, one that nothing defines.
import type { FramesView } from '../../server/contract/frames.ts';

export function framesOfDouble(epoch: number, timeUs: number): FramesView {
  const seen = {
    bus: 'engine',
    extended: false,
    remote: false,
    fd: false,
    count: 48123,
    periodMs: 50.1,
    periodMinMs: 49.2,
    periodMaxMs: 51,
    lastTimeUs: timeUs - 20_000,
    length: 8,
    shortCount: 0,
    longCount: 0,
  };
  return {
    epoch,
    timeUs,
    frames: [
      {
        ...seen,
        id: 0x4c0,
        idHex: '0x4C0',
        frame: 'exhaust_1_to_4',
        device: 'thermocouple-box',
        definedPeriodMs: 50,
        definedLength: 8,
        bytes: '1E8A1E021D771F03',
        changedBits: '0FFF0FFF0FFF0000',
        unclaimedBits: '000000000000FFFF',
        signals: [1, 2, 3].map((n, i) => ({
          name: `exhaust_temp_${n}`,
          channel: 6 + n,
          bits: Array.from({ length: 16 }, (_, k) => 16 * i + (k < 8 ? 7 - k : 23 - k)),
          value: 730,
          quality: 'ok' as const,
          unit: 'degC',
        })),
      },
      {
        ...seen,
        id: 0x6f1,
        idHex: '0x6F1',
        frame: null,
        device: null,
        definedPeriodMs: null,
        definedLength: null,
        bytes: '00A0FFFF',
        length: 4,
        changedBits: '00F00000',
        unclaimedBits: 'FFFFFFFF',
        signals: [],
      },
    ],
    errors: [{ bus: 'engine', kind: 'bus error', count: 3, lastTimeUs: timeUs }],
    notListed: 0,
  };
}
