// Replays that several browsers follow, by session: where each stands, who listens. Forgotten when the last one has gone.
import { type Clock, machineClock } from '../clock.ts';
import type { ReplayMove, ReplayNews, SharedReplay } from '../contract/shared-replay.ts';

type Listener = (news: ReplayNews) => void;

interface Shared {
  move: ReplayMove | undefined;
  sequence: number;
  /** Monotonic time of the move. */
  movedUs: number;
  listeners: Set<Listener>;
}

export class SharedReplays {
  private readonly clock: Clock;
  private readonly shared = new Map<number, Shared>();

  constructor(clock: Clock = machineClock) {
    this.clock = clock;
  }

  /** Moves it for everybody who follows. Where nobody follows it is forgotten at once. */
  move(session: number, move: ReplayMove): SharedReplay {
    const shared = this.shared.get(session) ?? { sequence: 0, listeners: new Set() };
    const moved: Shared = { ...shared, move, sequence: shared.sequence + 1, movedUs: this.clock.monotonicUs() };
    if (moved.listeners.size > 0) {
      this.shared.set(session, moved);
      this.tell(moved);
    }
    return { sequence: moved.sequence, ...move };
  }

  /** Follows: hears where it stands now, then every move. The returned function ends it. */
  follow(session: number, listener: Listener): () => void {
    const shared = this.shared.get(session) ?? { move: undefined, sequence: 0, movedUs: 0, listeners: new Set() };
    this.shared.set(session, shared);
    shared.listeners.add(listener);
    this.tell(shared);
    return () => {
      // The set is the same one over all moves.
      shared.listeners.delete(listener);
      const now = this.shared.get(session);
      if (now && now.listeners.size > 0) this.tell(now);
      else this.shared.delete(session);
    };
  }

  private tell(shared: Shared): void {
    const news = this.newsOf(shared);
    for (const listener of shared.listeners) listener(news);
  }

  /** Where it stands now, if nobody has touched it since. */
  private newsOf({ move, sequence, movedUs, listeners }: Shared): ReplayNews {
    const followers = listeners.size;
    if (!move) return { replay: null, followers };
    const passedUs = Math.round((this.clock.monotonicUs() - movedUs) * move.speed);
    return { replay: { ...move, sequence, positionUs: move.positionUs + passedUs }, followers };
  }
}
