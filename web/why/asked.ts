// Which number the person asked about, and by which other numbers they came to it; the panel that answers hangs on the page's shell.
import { signal } from '@preact/signals';
import type { FigureView, WhyView } from '../../server/contract/why.ts';
import { getJson } from '../stream/api.ts';
import type { Feed } from '../stream/feed.ts';

/** What is told of a number: of a channel its chain down to the wire, of a derived figure the rule and what it was computed from. */
export type Explanation = { kind: 'chain'; view: WhyView } | { kind: 'figure'; view: FigureView };

/** A number, and who knows where it comes from: the live stream, a replay, a recorded session at one instant, or the judge of a figure. */
export interface Question {
  /** A channel's name, or what the figure is called where that is known. */
  title: string;
  /** Again each time the person asks again. */
  ask(): Promise<Explanation>;
}

/** The last is shown; those before it led there. Empty: nothing is asked and the panel is closed. */
export const asked = signal<readonly Question[]>([]);

/** Opens 'Why this number?' for a channel as of now, in a replay as of its position. */
export function askWhy(channel: string, feed: Feed): void {
  asked.value = [{ title: channel, ask: () => feed.why(channel).then(toChain) }];
}

/** Opens it for a channel of a recorded session. @param atUs Session time. */
export function askWhyAt(session: number, channel: string, atUs: number): void {
  asked.value = [chainAt(session, channel, atUs)];
}

/** Opens it for a derived figure. @param figure Its address, as `toFigureAddress` makes it. */
export function askWhyFigure(figure: string): void {
  asked.value = [figureAt(figure, '')];
}

/** From what is shown to a number that it was computed from; `goBack` returns. */
export function followWhy(question: Question): void {
  asked.value = [...asked.value, question];
}

export function goBack(): void {
  asked.value = asked.value.slice(0, -1);
}

export function chainAt(session: number, channel: string, atUs: number): Question {
  const path = `/api/sessions/${session}/why/${encodeURIComponent(channel)}?at=${Math.round(atUs)}`;
  return { title: channel, ask: () => getJson<WhyView>(path).then(toChain) };
}

export function figureAt(figure: string, title: string): Question {
  const path = `/api/figures?of=${encodeURIComponent(figure)}`;
  return { title, ask: async () => ({ kind: 'figure', view: await getJson<FigureView>(path) }) };
}

/** `toFigureAddress('pulls', 3, 2, 'duty', 'port side')` is `pulls/3/2/duty/port%20side`, as the server reads it. */
export function toFigureAddress(...parts: readonly (string | number)[]): string {
  return parts.map((part) => encodeURIComponent(part)).join('/');
}

/** Addresses of the figures of one pull, from the beginning that they share: `['pulls', 3, 2]`. */
export type FigureOf = (...key: readonly (string | number)[]) => string;

export function figuresOf(...beginning: readonly (string | number)[]): FigureOf {
  return (...key) => toFigureAddress(...beginning, ...key);
}

function toChain(view: WhyView): Explanation {
  return { kind: 'chain', view };
}
