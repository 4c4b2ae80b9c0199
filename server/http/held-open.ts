// Counts what is held open and by whom, so that no one device takes all that there is.

export class HeldOpen {
  private readonly max: number;
  private readonly perHolderMax: number;
  private readonly byHolder = new Map<string, number>();
  private all = 0;

  constructor(max: number, perHolderMax: number) {
    this.max = max;
    this.perHolderMax = perHolderMax;
  }

  /**
   * Takes one more.
   * @param holder Undefined: somebody at the computer itself, whom only the bound of all holds.
   * @returns Gives it back, once; undefined: there is no room.
   */
  take(holder: string | undefined): (() => void) | undefined {
    const has = holder === undefined ? 0 : (this.byHolder.get(holder) ?? 0);
    if (this.all >= this.max || has >= this.perHolderMax) return undefined;
    this.all++;
    if (holder !== undefined) this.byHolder.set(holder, has + 1);
    let isTaken = true;
    return () => {
      if (!isTaken) return;
      isTaken = false;
      this.all--;
      if (holder === undefined) return;
      const left = (this.byHolder.get(holder) ?? 1) - 1;
      if (left > 0) this.byHolder.set(holder, left);
      else this.byHolder.delete(holder);
    };
  }
}
