// A curve through points: straight lines between them, the end values beyond.

/** Points ascending in x, at least one. Worked: [[0, 70], [3000, 200]] at 1500 is 135. */
export class Curve {
  private readonly x: Float64Array;
  private readonly y: Float64Array;

  constructor(points: readonly (readonly [x: number, y: number])[]) {
    this.x = Float64Array.from(points, ([x]) => x);
    this.y = Float64Array.from(points, ([, y]) => y);
  }

  at(wanted: number): number {
    const { x, y } = this;
    const last = x.length - 1;
    if (!(wanted > (x[0] as number))) return y[0] as number;
    if (wanted >= (x[last] as number)) return y[last] as number;
    let low = 0;
    let high = last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if ((x[middle] as number) <= wanted) low = middle;
      else high = middle;
    }
    const x0 = x[low] as number;
    const y0 = y[low] as number;
    return y0 + ((wanted - x0) / ((x[high] as number) - x0)) * ((y[high] as number) - y0);
  }
}
