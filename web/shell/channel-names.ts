// Names that this browser gives to channels, beside those of the files, which stay what they are everywhere else.
import { signal } from '@preact/signals';

const storageKey = 'evenburn.names';
const namesMax = 500;
export const ownNameLengthMax = 40;

/** Channel → its name here. */
export const ownNames = signal<ReadonlyMap<string, string>>(readNames());

/** An empty name takes the own one away. */
export function nameHere(channel: string, name: string): void {
  const next = new Map(ownNames.value);
  const text = name.trim().slice(0, ownNameLengthMax);
  if (text === '') next.delete(channel);
  else if (next.size < namesMax || next.has(channel)) next.set(channel, text);
  ownNames.value = next;
  try {
    localStorage.setItem(storageKey, JSON.stringify([...next]));
  } catch {
    // Private windows may refuse storage: the names then live as long as the page.
  }
}

function readNames(): ReadonlyMap<string, string> {
  try {
    const kept: unknown = JSON.parse(localStorage.getItem(storageKey) ?? '[]');
    const isName = (one: unknown): one is [string, string] =>
      Array.isArray(one) && one.length === 2 && one.every((part) => typeof part === 'string');
    return new Map(Array.isArray(kept) ? kept.filter(isName).slice(0, namesMax) : []);
  } catch {
    return new Map();
  }
}
