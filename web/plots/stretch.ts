// The stretch of a plot's x axis that is in sight, and how hands and buttons move it.

/** In the unit of the x axis: seconds from the sessions' starts, or rpm. */
export interface Stretch {
  from: number;
  to: number;
}

/** Keeps `at` in its place while the stretch becomes `factor` times as long. */
export function zoomed({ from, to }: Stretch, at: number, factor: number): Stretch {
  return { from: at - (at - from) * factor, to: at + (to - at) * factor };
}

export function panned({ from, to }: Stretch, share: number): Stretch {
  const by = (to - from) * share;
  return { from: from + by, to: to + by };
}

/** What was under a finger stays under it; places are shares of the plot's width. */
export function dragged({ from, to }: Stretch, start: number, now: number): Stretch {
  const by = (start - now) * (to - from);
  return { from: from + by, to: to + by };
}

/** What was under each of two fingers stays under it. */
export function pinched({ from, to }: Stretch, start: [number, number], now: [number, number]): Stretch {
  const at = (share: number) => from + share * (to - from);
  const span = (at(start[1]) - at(start[0])) / (now[1] - now[0]);
  const begin = at(start[0]) - now[0] * span;
  return { from: begin, to: begin + span };
}
