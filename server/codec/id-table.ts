// Integer hash table from a bus and an id key to a small number: open addressing, no allocation and no Map on the way of a frame.

/** Key of a frame's id: 29 bits of id, then whether it is extended, then whether it is FD. Flags as in `frameFlag`. */
export function idKey(id: number, flags: number): number {
  return id | ((flags & 1) << 29) | ((flags & 8) << 27);
}

/** Spreads keys over a table by the upper bits of their product with it: 2^32 over the golden ratio. */
export const hashFactor = 0x9e3779b1;

const emptySlot = -1;
const valueBits = 20;

/** A table of (bus, key) → value; bus 0 to 255, key any 31-bit integer, value 0 to 2^20 − 1. */
export class IdTable {
  /** Two integers a slot: the key, and bus << 20 | value, or −1 when the slot is empty. */
  private slots = new Int32Array(32).fill(emptySlot);
  private shift = 28;
  size = 0;

  /** The value held, or −1. */
  find(bus: number, key: number): number {
    const slots = this.slots;
    const mask = slots.length - 1;
    let at = (Math.imul(key ^ (bus << 24), hashFactor) >>> this.shift) << 1;
    for (;;) {
      const entry = slots[at + 1] as number;
      if (entry === emptySlot) return -1;
      if (slots[at] === key && entry >> valueBits === bus) return entry & ((1 << valueBits) - 1);
      at = (at + 2) & mask;
    }
  }

  /** Adds a pair that is not held yet. */
  insert(bus: number, key: number, value: number): void {
    // At most an eighth full, so that a look-up seldom takes a second step.
    if (this.size * 16 >= this.slots.length) this.grow();
    this.place(key, (bus << valueBits) | value, bus);
    this.size++;
  }

  private place(key: number, entry: number, bus: number): void {
    const mask = this.slots.length - 1;
    let at = (Math.imul(key ^ (bus << 24), hashFactor) >>> this.shift) << 1;
    while (this.slots[at + 1] !== emptySlot) at = (at + 2) & mask;
    this.slots[at] = key;
    this.slots[at + 1] = entry;
  }

  private grow(): void {
    const old = this.slots;
    this.slots = new Int32Array(old.length * 2).fill(emptySlot);
    this.shift--;
    for (let at = 0; at < old.length; at += 2) {
      const entry = old[at + 1] as number;
      if (entry !== emptySlot) this.place(old[at] as number, entry, entry >> valueBits);
    }
  }
}
