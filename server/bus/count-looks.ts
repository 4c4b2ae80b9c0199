// Looks at an interface's counters from within a reader, and tells how many of the frames counted then it has got: once the last have come.
import type { CountLook } from './batch-wire.ts';

/** One look costs three small files; every fifth flush is 40 a second. */
const turnsALook = 5;
/** Frames counted at a look have come after this, in turns of the event loop that left none waiting and in time, or they never will. */
const settleTurns = 10;
const settleUs = 200_000;
/** Looks that wait to settle: 8 in 200 ms. No more while a backlog lasts, since each costs something a frame. */
const pendingMax = 16;
/** How far a stamp and the moment of a look can be off against each other. */
const marginUs = 300;

interface Pending extends CountLook {
  /** The counters were read between these. */
  fromUs: number;
  toUs: number;
  /** Turns in a row that left no frame waiting. */
  turns: number;
}

/**
 *     counters are read              ├──┤
 *     frames by their stamps    ─x──x┼─x┼──x─      taken later, but stamped before: they were counted
 *                                  ├──────┤        with the margins: may have been counted, so in `most` and not in `sure`
 *
 * So counted − most is never more than what was lost, and counted − sure never less, however full the bus is and however late
 * frames come; in the first gap of the traffic both are the same.
 *
 * A look settles when all that was counted has had its chance to come. A socket hands frames over in the order of their arrival, so
 * that is so once a frame is taken that was stamped clearly later; and in silence, once some turns have left nothing waiting. Time
 * alone proves nothing: an enlarged socket buffer holds seconds of frames, and a computer that stalled takes its time to read them.
 */
export class CountLooks {
  private readonly tell: (look: CountLook) => void;
  private readonly pending: Pending[] = [];
  private turns = 0;
  private isClosed = false;
  private dataTaken = 0;
  private errorsTaken = 0;
  private newestMarginUs = 0;
  private newestTakenUs = Number.NEGATIVE_INFINITY;

  /** @param tell Hears of each look when it has settled. */
  constructor(tell: (look: CountLook) => void) {
    this.tell = tell;
  }

  /** A frame was taken; `timeUs` is what its stamp says in session time. */
  take(timeUs: number, isError: boolean): void {
    if (isError) this.errorsTaken++;
    else this.dataTaken++;
    this.newestTakenUs = Math.max(this.newestTakenUs, timeUs);
    if (timeUs > this.newestMarginUs) return;
    const column = isError ? 'errorsTaken' : 'dataTaken';
    for (const look of this.pending) {
      if (timeUs <= look.toUs + marginUs) look.most[column]++;
      if (timeUs <= look.fromUs - marginUs) look.sure[column]++;
    }
  }

  /** What was counted has nothing to do any more with what will be taken: another interface, or another time of its stamps. */
  forget(): void {
    this.pending.length = 0;
    this.newestTakenUs = Number.NEGATIVE_INFINITY;
  }

  /** The last look, at this moment; what was counted by then still gets its chance to come. */
  close(read: () => { received: number; sent: number } | undefined, now: () => number): void {
    this.isClosed = true;
    this.look(now(), read, now);
  }

  /** All looks have been told. */
  get isSettled(): boolean {
    return this.pending.length === 0;
  }

  /** Tells the last look as it stands: what it misses now will not be taken any more. */
  giveUp(): void {
    const last = this.pending.pop();
    this.pending.length = 0;
    if (last) this.tellOf(last);
  }

  /** One turn of the event loop, in which all that was at hand has been taken; or, `isBehind`, in which some had to wait. */
  turn(isBehind: boolean, read: () => { received: number; sent: number } | undefined, now: () => number): void {
    const fromUs = now();
    for (const look of this.pending) look.turns = isBehind ? 0 : look.turns + 1;
    for (let first = this.pending[0]; first && hasSettled(first, fromUs, this.newestTakenUs); first = this.pending[0]) {
      this.pending.shift();
      this.tellOf(first);
    }
    if (this.isClosed || ++this.turns < turnsALook || this.pending.length >= pendingMax) return;
    this.turns = 0;
    this.look(fromUs, read, now);
  }

  private look(fromUs: number, read: () => { received: number; sent: number } | undefined, now: () => number): void {
    const counters = read();
    if (!counters) return;
    const { dataTaken, errorsTaken } = this;
    const { received, sent } = counters;
    const toUs = now();
    this.newestMarginUs = toUs + marginUs;
    this.pending.push({ received, sent, most: { dataTaken, errorsTaken }, sure: { dataTaken, errorsTaken }, fromUs, toUs, turns: 0 });
  }

  private tellOf({ received, sent, most, sure }: Pending): void {
    this.tell({ received, sent, most, sure });
  }
}

function hasSettled({ turns, toUs }: Pending, nowUs: number, newestTakenUs: number): boolean {
  return newestTakenUs >= toUs + settleUs || (turns >= settleTurns && nowUs - toUs >= settleUs);
}
