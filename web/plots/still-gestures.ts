// What pointer, wheel and keys do on a plot that stands still: one finger drags, two pinch, a press sets a cursor.
import type { RefObject } from 'preact';
import type { Plot } from './chart.ts';
import type { StillPlotProps } from './still-plot.tsx';
import { dragged, panned, pinched, type Stretch, zoomed } from './stretch.ts';

type Asked = Pick<StillPlotProps, 'stretch' | 'onStretch' | 'onPress' | 'onNudge'>;

const dragFromPx = 6;
const zoomStep = 1.25;
const nudgeShare = 0.01;
const pinchMinPx = 20;

/** Listens until the returned function is called. */
export function attachGestures(node: HTMLCanvasElement, plot: RefObject<Plot | undefined>, props: () => Asked): () => void {
  const hand = new Hand(node, plot, props);
  const onWheel = (event: WheelEvent) => {
    if (event.ctrlKey || event.deltaY === 0) return;
    event.preventDefault();
    const at = plot.current?.xAt(event.offsetX) ?? 0;
    props().onStretch(zoomed(props().stretch, at, event.deltaY > 0 ? zoomStep : 1 / zoomStep));
  };
  const onKey = (event: KeyboardEvent) => {
    const act = keyAct(event, props());
    if (!act) return;
    event.preventDefault();
    act();
  };
  const onDown = (event: PointerEvent) => hand.down(event);
  const onMove = (event: PointerEvent) => hand.move(event);
  const onUp = (event: PointerEvent) => hand.up(event);
  const onCancel = (event: PointerEvent) => hand.cancel(event);
  node.addEventListener('pointerdown', onDown);
  node.addEventListener('pointermove', onMove);
  node.addEventListener('pointerup', onUp);
  node.addEventListener('pointercancel', onCancel);
  node.addEventListener('wheel', onWheel, { passive: false });
  node.addEventListener('keydown', onKey);
  return () => {
    node.removeEventListener('pointerdown', onDown);
    node.removeEventListener('pointermove', onMove);
    node.removeEventListener('pointerup', onUp);
    node.removeEventListener('pointercancel', onCancel);
    node.removeEventListener('wheel', onWheel);
    node.removeEventListener('keydown', onKey);
  };
}

/** What a key does with a plot in focus; undefined: nothing. */
export function keyAct({ key, shiftKey }: Pick<KeyboardEvent, 'key' | 'shiftKey'>, asked: Asked): (() => void) | undefined {
  const { stretch, onStretch, onPress, onNudge } = asked;
  const middle = (stretch.from + stretch.to) / 2;
  const nudge = (stretch.to - stretch.from) * nudgeShare;
  const acts: Record<string, () => void> = {
    ArrowLeft: () => (shiftKey ? onNudge(-nudge) : onStretch(panned(stretch, -0.1))),
    ArrowRight: () => (shiftKey ? onNudge(nudge) : onStretch(panned(stretch, 0.1))),
    '+': () => onStretch(zoomed(stretch, middle, 1 / zoomStep)),
    '-': () => onStretch(zoomed(stretch, middle, zoomStep)),
    Enter: () => onPress(middle),
  };
  return acts[key];
}

/** Fingers on the plot: where each went down, and where it is. */
class Hand {
  private readonly node: HTMLCanvasElement;
  private readonly plot: RefObject<Plot | undefined>;
  private readonly props: () => Asked;
  private readonly fingers = new Map<number, { startPx: number; nowPx: number }>();
  /** As the fingers that are down found it. */
  private stretch: Stretch = { from: 0, to: 1 };
  private moved = false;

  constructor(node: HTMLCanvasElement, plot: RefObject<Plot | undefined>, props: () => Asked) {
    this.node = node;
    this.plot = plot;
    this.props = props;
  }

  down(event: PointerEvent): void {
    if (this.fingers.size === 0) this.moved = false;
    this.fingers.set(event.pointerId, { startPx: event.offsetX, nowPx: event.offsetX });
    this.begin();
    this.node.setPointerCapture(event.pointerId);
  }

  move(event: PointerEvent): void {
    const finger = this.fingers.get(event.pointerId);
    if (!finger) return;
    finger.nowPx = event.offsetX;
    const [one, other] = [...this.fingers.values()];
    if (one && other) this.pinch(one, other);
    else this.drag(finger);
  }

  up(event: PointerEvent): void {
    const x = this.plot.current?.xAt(event.offsetX);
    const isPress = this.fingers.size === 1 && !this.moved;
    this.cancel(event);
    if (isPress && x !== undefined) this.props().onPress(x);
  }

  /** The finger has left; those that stay begin anew where they are. */
  cancel(event: PointerEvent): void {
    this.fingers.delete(event.pointerId);
    this.begin();
  }

  private begin(): void {
    this.stretch = this.props().stretch;
    for (const finger of this.fingers.values()) finger.startPx = finger.nowPx;
  }

  private drag({ startPx, nowPx }: { startPx: number; nowPx: number }): void {
    this.moved ||= Math.abs(nowPx - startPx) > dragFromPx;
    if (!this.moved) return;
    const { left, width } = this.area();
    this.props().onStretch(dragged(this.stretch, (startPx - left) / width, (nowPx - left) / width));
  }

  private pinch(one: { startPx: number; nowPx: number }, other: { startPx: number; nowPx: number }): void {
    this.moved = true;
    const { left, width } = this.area();
    const share = (px: number) => (px - left) / width;
    const [before, now] = [one, other].map(({ startPx, nowPx }) => [startPx, nowPx]) as [[number, number], [number, number]];
    const [startA, nowA] = before;
    const [startB, nowB] = now;
    if (Math.abs(startA - startB) < pinchMinPx || Math.abs(nowA - nowB) < pinchMinPx) return;
    this.props().onStretch(pinched(this.stretch, [share(startA), share(startB)], [share(nowA), share(nowB)]));
  }

  private area(): { left: number; width: number } {
    const { left, right } = this.plot.current?.area() ?? { left: 0, right: 1 };
    return { left, width: Math.max(1, right - left) };
  }
}
