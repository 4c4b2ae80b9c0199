// Keeps what was decoded last, up to a number of bytes.

export class BoundedCache<V> {
  private readonly bytesMax: number;
  private readonly bytesOf: (value: V) => number;
  private readonly held = new Map<number, V>();
  private bytes = 0;

  constructor(bytesMax: number, bytesOf: (value: V) => number) {
    this.bytesMax = bytesMax;
    this.bytesOf = bytesOf;
  }

  /** The value of a key, made and kept when it isn't there. What was asked for longest ago goes first. */
  get(key: number, make: () => V): V {
    let value = this.held.get(key);
    if (value === undefined) {
      value = make();
      this.bytes += this.bytesOf(value);
    } else this.held.delete(key);
    this.held.set(key, value);
    while (this.bytes > this.bytesMax && this.held.size > 1) this.dropOldest();
    return value;
  }

  private dropOldest(): void {
    for (const [key, value] of this.held) {
      this.held.delete(key);
      this.bytes -= this.bytesOf(value);
      return;
    }
  }
}
