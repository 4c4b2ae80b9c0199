// What happens next: events by time, and among those of one time by priority, as arbitration on a bus has it.

export interface ScheduledEvent {
  /** Integer microseconds; infinity waits for someone to set it. */
  dueUs: number;
  /** Lower goes first at the same time. */
  priority: number;
}

/** A binary heap of events. Change an event's time only by `reschedule`. */
export class Schedule<E extends ScheduledEvent> {
  private readonly heap: E[] = [];
  private readonly places = new Map<E, number>();

  add(event: E): void {
    this.heap.push(event);
    this.places.set(event, this.heap.length - 1);
    this.rise(this.heap.length - 1);
  }

  get first(): E | undefined {
    return this.heap[0];
  }

  reschedule(event: E, dueUs: number): void {
    const place = this.places.get(event);
    if (place === undefined) return;
    event.dueUs = dueUs;
    this.rise(place);
    this.sink(this.places.get(event) as number);
  }

  private rise(place: number): void {
    const { heap } = this;
    let at = place;
    const event = heap[at] as E;
    while (at > 0) {
      const above = (at - 1) >> 1;
      if (!isBefore(event, heap[above] as E)) break;
      this.put(heap[above] as E, at);
      at = above;
    }
    this.put(event, at);
  }

  private sink(place: number): void {
    const { heap } = this;
    let at = place;
    const event = heap[at] as E;
    for (;;) {
      let below = 2 * at + 1;
      if (below >= heap.length) break;
      if (below + 1 < heap.length && isBefore(heap[below + 1] as E, heap[below] as E)) below++;
      if (!isBefore(heap[below] as E, event)) break;
      this.put(heap[below] as E, at);
      at = below;
    }
    this.put(event, at);
  }

  private put(event: E, place: number): void {
    this.heap[place] = event;
    this.places.set(event, place);
  }
}

function isBefore(a: ScheduledEvent, b: ScheduledEvent): boolean {
  return a.dueUs < b.dueUs || (a.dueUs === b.dueUs && a.priority < b.priority);
}
