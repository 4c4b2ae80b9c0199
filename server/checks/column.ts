// A column of numbers that grows.

/** Numbers in order of arrival, in a typed array that grows. */
export class Column {
  private held = new Float64Array(64);
  length = 0;

  push(value: number): void {
    if (this.length === this.held.length) {
      const grown = new Float64Array(this.held.length * 2);
      grown.set(this.held);
      this.held = grown;
    }
    this.held[this.length++] = value;
  }

  at(index: number): number {
    return this.held[index] as number;
  }

  /** The used part; valid until the next push. */
  get values(): Float64Array {
    return this.held.subarray(0, this.length);
  }
}
