// A replay that several browsers follow: moves reach all, time goes on in between, and it is forgotten with the last one.
import { describe, expect, it } from 'vitest';
import type { ReplayNews } from '../../server/contract/shared-replay.ts';
import { SharedReplays } from '../../server/live/shared-replays.ts';

function setUp() {
  let nowUs = 5_000_000;
  const replays = new SharedReplays({ monotonicUs: () => nowUs, wallMs: () => 0 });
  const follower = (session = 1) => {
    const heard: ReplayNews[] = [];
    return { heard, leave: replays.follow(session, (news) => heard.push(news)) };
  };
  return { replays, follower, pass: (us: number) => (nowUs += us) };
}

describe('a shared replay', () => {
  it('tells everybody of a move, and how many follow', () => {
    const { replays, follower } = setUp();
    const [ann, bob, other] = [follower(), follower(), follower(2)];
    expect(ann.heard).toEqual([
      { replay: null, followers: 1 },
      { replay: null, followers: 2 },
    ]);
    replays.move(1, { reading: 3, positionUs: 700, speed: 0 });
    const replay = { sequence: 1, reading: 3, positionUs: 700, speed: 0 };
    expect([ann.heard.at(-1), bob.heard.at(-1)]).toEqual([
      { replay, followers: 2 },
      { replay, followers: 2 },
    ]);
    expect(other.heard).toEqual([{ replay: null, followers: 1 }]);
  });

  it('is where it has played to by now for whoever comes later', () => {
    const { replays, follower, pass } = setUp();
    follower();
    replays.move(1, { reading: 1, positionUs: 1_000_000, speed: 10 });
    pass(250_000);
    expect(follower().heard.at(-1)?.replay).toMatchObject({ positionUs: 3_500_000, speed: 10 });
    replays.move(1, { reading: 1, positionUs: 3_500_000, speed: 0 });
    pass(9_000_000);
    expect(follower().heard.at(-1)).toEqual({ replay: { sequence: 2, reading: 1, positionUs: 3_500_000, speed: 0 }, followers: 3 });
  });

  it('goes on for those who stay, and is forgotten when the last one has left', () => {
    const { replays, follower } = setUp();
    const [ann, bob] = [follower(), follower()];
    replays.move(1, { reading: 1, positionUs: 9, speed: 0 });
    ann.leave();
    expect(bob.heard.at(-1)?.followers).toBe(1);
    replays.move(1, { reading: 1, positionUs: 10, speed: 0 });
    expect(bob.heard.at(-1)?.replay).toMatchObject({ positionUs: 10, sequence: 2 });
    expect(ann.heard.at(-1)?.replay?.positionUs).not.toBe(10);
    bob.leave();
    expect(follower().heard).toEqual([{ replay: null, followers: 1 }]);
  });

  it('that nobody follows is not kept', () => {
    const { replays, follower } = setUp();
    expect(replays.move(4, { reading: 1, positionUs: 9, speed: 1 })).toMatchObject({ sequence: 1, positionUs: 9 });
    expect(follower(4).heard).toEqual([{ replay: null, followers: 1 }]);
  });
});
