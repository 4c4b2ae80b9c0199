// Finds a bus's bit rate by listening at each standard one: counts go in, an answer comes out. Nothing is ever sent to find out.

/** Standard bit rates, the usual ones of engines first, so that the answer comes soon. */
export const triedBitRates: readonly number[] = [500_000, 250_000, 1_000_000, 125_000, 800_000, 100_000, 83_333, 50_000, 20_000, 10_000];

/** What was heard while listening at one bit rate. */
export interface Heard {
  /** bit/s. */
  bitRate: number;
  seconds: number;
  /** Frames whose checksum was right. */
  frames: number;
  /** Different ids among them. */
  ids: number;
  /** Errors of framing (stuffing, form, checksum, bits) that the controller reported. */
  framingErrors: number;
  /** Errors in the acknowledge slot or at its delimiter. */
  acknowledgeErrors: number;
  /** Every frame was the same, id and bytes, and they came back to back: they filled the bus, or the line to the adapter. */
  isOneFrameOverAndOver: boolean;
  /** The adapter or interface refused this bit rate. */
  isRefused: boolean;
}

export type BitRateAnswer =
  | { kind: 'found'; bitRate: number; say: string }
  | { kind: 'unacknowledged'; bitRate: number; say: string }
  | { kind: 'silent' | 'undecided'; say: string };

/** Frames with a right checksum at a wrong bit rate come about never; two could be a burst of noise. */
const framesMin = 3;
/** Good frames to framing errors, below which a bit rate is not the one. */
const goodShareMin = 0.5;

/**
 * Decides by valid frames against errors.
 *
 * - At one bit rate frames come and hardly any framing errors: found.
 * - At one bit rate all errors are of acknowledging, or one frame comes over and over, with such errors or back to back: the rate is
 *   right, and the one device has nobody who acknowledges. ISO 11898-1: it repeats the frame, and once it is error-passive its error
 *   flags are recessive, so that a listener sees whole frames and no errors at all.
 * - Nothing anywhere, no errors either: silent. Else undecided, with what was nearest.
 */
export function decideBitRate(heard: readonly Heard[]): BitRateAnswer {
  const tried = heard.filter((each) => !each.isRefused);
  const good = tried.filter(isGood).sort((a, b) => b.frames - a.frames);
  const best = good[0];
  if (best && good.length === 1) return isAlone(best) ? alone(best) : found(best);
  if (best) {
    const rates = good.map(({ bitRate }) => toText(bitRate)).join(' and ');
    return {
      kind: 'undecided',
      say: `Frames came at ${rates}: something else than one bus is on this wire, or the bit rate changed meanwhile. Try again.`,
    };
  }
  const unacknowledged = tried.filter(
    ({ acknowledgeErrors, framingErrors }) => acknowledgeErrors >= framesMin && acknowledgeErrors > framingErrors,
  );
  if (unacknowledged.length === 1) return alone(unacknowledged[0] as Heard);
  const errors = tried.reduce((sum, each) => sum + each.framingErrors + each.acknowledgeErrors, 0);
  const frames = tried.reduce((sum, each) => sum + each.frames, 0);
  if (tried.length === 0) {
    return {
      kind: 'undecided',
      say: 'No bit rate could be set: a virtual interface has none, and an adapter must know the standard ones.',
    };
  }
  if (errors === 0 && frames === 0) {
    const say =
      'Nothing was heard at any bit rate: switch a device on, look at the plug (high and low), and try again. If only one device is there, add a second node: alone it is not acknowledged, and not every adapter reports that.';
    return { kind: 'silent', say };
  }
  const say =
    'Something is on the bus, and at no standard bit rate do its frames come whole: look at termination and wiring, or ask for another bit rate. If only one device is there, add a second node: alone it is not acknowledged.';
  return { kind: 'undecided', say };
}

function isGood({ frames, framingErrors }: Heard): boolean {
  return frames >= framesMin && frames / (frames + framingErrors) >= goodShareMin;
}

/** A lone device with several ids in turn has somebody who acknowledges. */
function isAlone({ frames, ids, acknowledgeErrors, isOneFrameOverAndOver }: Heard): boolean {
  return ids === 1 && (isOneFrameOverAndOver || acknowledgeErrors >= frames * goodShareMin);
}

function found({ bitRate, frames, seconds }: Heard): BitRateAnswer {
  return { kind: 'found', bitRate, say: `The bit rate is ${toText(bitRate)}: ${frames} whole frames in ${seconds} s.` };
}

function alone({ bitRate }: Heard): BitRateAnswer {
  const say = `The bit rate is ${toText(bitRate)}, and the one device there is alone and unacknowledged: add a second node, or let the adapter take part.`;
  return { kind: 'unacknowledged', bitRate, say };
}

function toText(bitRate: number): string {
  return `${Math.round(bitRate / 100) / 10} kbit/s`;
}

/** Listens at one bit rate for so long; `isRefused` where that can't be set. */
export type ListenAt = (bitRate: number, seconds: number) => Promise<Heard>;

/**
 * Tries the standard bit rates one after the other, listening only.
 *
 * @param confirmed The person has said that nothing is running: a controller at the wrong bit rate may disturb a bus even while it
 * only listens. False refuses.
 * @param say Hears of each bit rate as it is tried.
 */
export async function findBitRate(
  listenAt: ListenAt,
  options: { confirmed: boolean; seconds?: number; say?: (heard: Heard) => void },
): Promise<BitRateAnswer> {
  if (!options.confirmed) {
    return {
      kind: 'undecided',
      say: 'Not tried: an adapter at a wrong bit rate can disturb a bus that runs. Stop the engine, then confirm.',
    };
  }
  const heard: Heard[] = [];
  for (const bitRate of triedBitRates) {
    const each = await listenAt(bitRate, options.seconds ?? secondsARate);
    options.say?.(each);
    heard.push(each);
    // Clear beyond doubt: the slower ones need not be tried.
    if (isGood(each) && each.frames >= framesClear && each.framingErrors === 0 && each.ids > 1) break;
  }
  return decideBitRate(heard);
}

const secondsARate = 1.5;
const framesClear = 50;
