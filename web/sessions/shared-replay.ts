// Follows a replay together with other browsers: moves of one are moves of all.
import { signal } from '@preact/signals';
import type { ReplayMove, ReplayNews, SharedReplay } from '../../server/contract/shared-replay.ts';
import { sendJson, toProblem } from '../stream/api.ts';
import { hearEvents } from '../stream/event-stream.ts';
import type { ReplaySource } from './replay-source.ts';

export class FollowedReplay {
  /** Browsers that follow, this one too; 0 before the first word of the server. */
  readonly followers = signal(0);
  /** Why moves don't reach the others; empty when all is well. */
  readonly problem = signal('');
  private readonly source: ReplaySource;
  private readonly path: string;
  private readonly leave: () => void;
  /** Newest move that is known. */
  private sequence = 0;
  private sending = false;
  private moved = false;

  constructor(source: ReplaySource) {
    this.source = source;
    this.path = `/api/sessions/${source.detail.peek().session.session}/replay`;
    this.leave = hearEvents(`${this.path}/stream`, (news: ReplayNews) => this.hear(news), {
      lost: () => {
        this.problem.value = 'The program does not answer: the others are not followed.';
        // A program that has started again counts its moves anew.
        this.sequence = 0;
      },
    });
    source.onMoved = () => this.tell();
  }

  stop(): void {
    this.leave();
    this.source.onMoved = () => undefined;
  }

  private hear({ replay, followers }: ReplayNews): void {
    this.problem.value = '';
    this.followers.value = followers;
    // Nobody has moved it: the others come to where this one stands.
    if (!replay) this.tell();
    else if (replay.sequence > this.sequence && !this.sending) this.take(replay);
  }

  private take({ sequence, reading, positionUs, speed }: SharedReplay): void {
    this.sequence = sequence;
    void this.source.follow(reading, positionUs, speed).catch((error: unknown) => {
      this.problem.value = toProblem(error);
    });
  }

  /** One move is on its way at a time; of those made meanwhile the last one follows. */
  private tell(): void {
    this.moved = true;
    if (!this.sending) void this.send();
  }

  private async send(): Promise<void> {
    this.sending = true;
    while (this.moved) {
      this.moved = false;
      try {
        const { sequence } = await sendJson<SharedReplay>('PUT', this.path, this.toMove());
        this.sequence = Math.max(this.sequence, sequence);
        this.problem.value = '';
      } catch (error) {
        this.problem.value = toProblem(error);
      }
    }
    this.sending = false;
  }

  private toMove(): ReplayMove {
    const { detail, positionUs, playing, speed } = this.source;
    return { reading: detail.peek().reading, positionUs: Math.round(positionUs.peek()), speed: playing.peek() ? speed.peek() : 0 };
  }
}
