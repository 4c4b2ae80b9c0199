// What a verdict says, with the amounts in it kept apart from the words, so that a page can write them in the units that a person chose.

/** An amount within a sentence; K is a difference of temperatures. */
export interface Amount {
  value: number;
  unit: string;
  /** Behind the point, in this unit. */
  digits: number;
}

/** The sentence in the files' units, and, where there are amounts in it, its parts in order. */
export interface Said {
  say: string;
  sayParts?: (string | Amount)[];
}

/** @param digits By default as many as the number has. */
export function amount(value: number, unit: string, digits = digitsOf(value)): Amount {
  return { value, unit, digits };
}

function digitsOf(value: number): number {
  return /\.(\d+)$/.exec(String(value))?.[1]?.length ?? 0;
}

/** `` said`oil pressure is ${amount(180, 'kPa')} after ${3} s` `` */
export function said(words: TemplateStringsArray, ...values: (string | number | Amount | Said)[]): Said {
  const parts: (string | Amount)[] = [];
  const put = (part: string | Amount) => {
    const last = parts.at(-1);
    if (typeof part === 'string' && typeof last === 'string') parts[parts.length - 1] = last + part;
    else if (part !== '') parts.push(part);
  };
  words.forEach((word, i) => {
    put(word);
    const value = values[i];
    if (value === undefined) return;
    if (typeof value !== 'object') put(String(value));
    else if ('say' in value) for (const part of value.sayParts ?? [value.say]) put(part);
    else put(value);
  });
  const say = parts.map((part) => (typeof part === 'string' ? part : toText(part))).join('');
  return parts.some((part) => typeof part !== 'string') ? { say, sayParts: parts } : { say };
}

function toText({ value, unit, digits }: Amount): string {
  const word = unit.replace(/^deg([CF])$/, '°$1');
  return word === '' ? value.toFixed(digits) : `${value.toFixed(digits)} ${word}`;
}
