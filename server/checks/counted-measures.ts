// How the numbers of verdicts are made that come from no channel: counted from a bus's frames, timed, or typed from a multimeter. Pure.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

export interface CountedMeasure {
  /** Of `measured`; '' counts. */
  unit: string;
  isDifference?: false;
  rule: string;
  /** Limits that decide, as `checks:` writes them. */
  limits: readonly string[];
}

export const countedMeasures: Readonly<Record<string, CountedMeasure>> = {
  'frame-late': {
    unit: 'ms',
    rule: 'The mean of the times from each of its frames to the next; where it is late, the time that decided. Held against `period` of its device file.',
    limits: [],
  },
  'frame-missing': {
    unit: 's',
    rule: 'The time from its last frame to the end of the traffic, while its device sends others; 0 where it never came. The limit is its period; frames without a `period` are not judged.',
    limits: [],
  },
  'frame-short': { unit: 'bytes', rule: 'The length of its shortest frame, held against `length` of its device file.', limits: [] },
  'id-unknown': { unit: 'frames', rule: 'How many frames of this id came; no device file of the bus defines it.', limits: [] },
  'two-talkers': {
    unit: 'times',
    rule: 'How many times as many frames come as its period allows, in time grids that interleave: 1 is one sender.',
    limits: [],
  },
  'payload-frozen': {
    unit: 's',
    rule: 'The time since its bytes last moved, while its frames go on and the bytes of others move.',
    limits: [],
  },
  'counter-skips': {
    unit: 'times',
    rule: 'How often its counter was not one more than before, where no frame is missing between the two.',
    limits: [],
  },
  'device-missing': {
    unit: 's',
    rule: 'The time from the last frame of any of its ids to the end of the traffic; 0 where none ever came.',
    limits: [],
  },
  'device-restarts': {
    unit: 'times',
    rule: 'How often all its ids fell silent together and then began anew, alone on the bus.',
    limits: [],
  },
  'device-drops': {
    unit: 'times',
    rule: 'How often all its ids fell silent together, at least 3 frames and 0.1 s, while others came, and went on where they were.',
    limits: [],
  },
  'trunk-break': {
    unit: 's',
    rule: 'The time for which the devices beyond this stretch were silent together, all episodes added up.',
    limits: [],
  },
  'bus-load': {
    unit: '%',
    rule: 'The bits of all frames, each with its own stuff bits and CRC as it was on the wire, over what the bit rate could carry in the time.',
    limits: ['load'],
  },
  'bus-errors': { unit: 'errors', rule: 'How many bus errors the adapter reported.', limits: [] },
  unacknowledged: {
    unit: 'frames/s',
    rule: 'How often the same frame was sent in a second: a node that nobody acknowledges repeats it at once.',
    limits: [],
  },
  'wrong-bit-rate': { unit: '', rule: 'Whether frames come at all, and which errors instead.', limits: [] },
  'bus-dropout': {
    unit: '',
    rule: 'The longest time in seconds for which the device was silent while the starter turned; where it is bus errors, how many.',
    limits: [],
  },
  unplug: { unit: '', rule: 'Whether exactly the frames of this device vanished while its plug was out.', limits: [] },
  'line-resistance': { unit: 'ohm', rule: 'As typed from a multimeter, between the two lines of the bus with all power off.', limits: [] },
  'device-supply': { unit: 'V', rule: 'The drop of feed and ground together, from the readings that were typed.', limits: [] },
  'failed-crank': { unit: 's', rule: 'For how long the starter turned in the last bout without the engine running.', limits: [] },
};

/** What of a verdict says which frames it is about. */
export interface Counted {
  code: string;
  bus?: string | undefined;
  device?: string | undefined;
  frame?: string | undefined;
}

/**
 * Channels whose chain shows what was counted: of a frame its first signal, of a device the first of its first frame, of a bus its load or
 * errors. Empty where the vehicle has none (any more).
 */
export function channelsCounted({ code, bus, device, frame }: Counted, { buses }: Vehicle): string[] {
  const of = buses.filter(({ name }) => bus === undefined || name === bus);
  if (device !== undefined || frame !== undefined) {
    const frames = of.flatMap((one) => one.frames).filter((one) => (frame === undefined ? one.device === device : one.name === frame));
    const channel = frames.find(({ signals }) => signals.length > 0)?.signals[0]?.name;
    return channel === undefined ? [] : [channel];
  }
  const built = code === 'bus-load' ? 'bus_load' : code === 'bus-errors' ? 'bus_errors' : undefined;
  return built === undefined || bus === undefined ? [] : of.map(({ name }) => `${built}_${toNamePart(name)}`);
}
