// When a signal of a multiplexed frame is present, as a manual's table says it in a column of its own.

import { toSnakeName } from './table-cells.ts';
import { plainLetters } from './table-text.ts';

/** What such a cell says. */
export type ConditionCell =
  | { kind: 'always' }
  /** This signal tells which of the others are present. */
  | { kind: 'selector' }
  /** Present for these raw values, of the frame's selector where no signal is named; as definition files write them. */
  | { kind: 'when'; conditions: { signal?: string; values: string }[] };

const always = /^(|[-–—]+|none|no|n\/?a|always|all|any|immer|alle|toujours|siempre|sempre)$/i;
const selector = /^(m|mux|x|multiplexo?e?r|multiplexor|switch|selector|select|index|yes|key)$/i;
const raw = String.raw`(?:0x[0-9a-f]+|[0-9a-f]+h|\d+)`;
const values = String.raw`${raw}(?:\s*(?:\.\.+|…|-|–|to|,|;|/|\||or|and|&)\s*${raw})*`;
const bare = new RegExp(String.raw`^(?:m|mux|page|value|seite|=+)?\s*[=:#]*\s*(${values})$`, 'i');
const named = new RegExp(String.raw`^(?:if|when|wenn|for)?\s*([\p{L}_][\p{L}\p{N}_ ]*?)\s*(?:==?|:|\bis\b)\s*(${values})$`, 'iu');

/** `M`, `m0`, `0x0A`, `0..3`, `2, 3`, `page = 0`, `if group == 2 and sub = 1`; undefined for what is none of these. */
export function parseCondition(cell: string): ConditionCell | undefined {
  const text = plainLetters(cell).trim();
  if (always.test(text)) return { kind: 'always' };
  if (selector.test(text)) return { kind: 'selector' };
  const alone = bare.exec(text);
  if (alone) return { kind: 'when', conditions: [{ values: toRawList(alone[1] as string) }] };
  const parts = text.split(/\s*(?:&&|\band\b|\bund\b)\s*(?=[\p{L}_])/iu).map((part) => named.exec(part));
  if (parts.some((part) => !part)) return undefined;
  const conditions = parts.map((part) => ({ signal: toSnakeName(part?.[1] as string), values: toRawList(part?.[2] as string) }));
  return { kind: 'when', conditions };
}

/** `2, 3` → `[2, 3]`, `0 - 3` → `0..3`. */
function toRawList(text: string): string {
  const parts = text
    .replace(/\b([0-9a-f]+)h\b/gi, '0x$1')
    .replace(/\s*(?:\.\.+|…|-|–|\bto\b)\s*/gi, '..')
    .split(/\s*(?:,|;|\/|\||&|\bor\b|\band\b)\s*/i);
  return parts.length === 1 ? (parts[0] as string) : `[${parts.join(', ')}]`;
}

interface Selectable {
  name: string;
  selects?: boolean;
}

const usualNames = ['page', 'mux', 'multiplexor', 'multiplexer', 'selector', 'index'];

/**
 * The signal of a frame that tells which others are present: the one marked so, else the one named like the column, else one that is named
 * as such signals are. Undefined: nothing tells.
 *
 * @param heading Of the column of conditions.
 */
export function findSelector(signals: readonly Selectable[], heading: string): string | undefined {
  const asColumn = toSnakeName(heading).replace(/_(value|number|no|id)$/, '');
  const names = [asColumn, ...usualNames];
  const marked = signals.filter(({ selects }) => selects);
  if (marked.length > 0) return marked.length === 1 ? marked[0]?.name : undefined;
  return names.find((name) => signals.some((signal) => signal.name === name));
}
