// What single cells of a device manual's table say: numbers, positions, types and names in the spellings that manuals have.
import { plainLetters } from './table-text.ts';

const number = String.raw`[-+]?[\d.,]*\d[\d.,]*(?:e[-+]?\d+)?`;
const numberPattern = new RegExp(
  String.raw`^(?:[x×*]\s*)?([/÷]\s*)?(${number})(?:\s*\^\s*([-+]?\d{1,2}))?(?:\s*[/÷:]\s*(\d+(?:[.,]\d+)?))?(?=$|[\s%°a-zA-ZµΩ/])`,
  'i',
);

/** `0.1`, `0,1`, `1/8`, `x0.1`, `/10`, `÷ 10`, `10^-1`, `0.125 rpm/bit`, `0x1F`; undefined when there is no number. */
export function parseNumber(cell: string): number | undefined {
  return readNumber(cell)?.value;
}

/** A number and what stands behind it: `100 mV/bit` is 100 and `mV`, without the words that say for each raw step. */
export function parseMeasured(cell: string): { value: number; unit: string } | undefined {
  const read = readNumber(cell);
  const perStep = /\s*(?:\/|\bper\b|\bje\b|\bpar\b|\bpor\b)\s*(?:bits?|lsb|digit|count|step|inc(?:rement)?|schritt|pas)\.?\s*$/i;
  return read && { value: read.value, unit: read.rest.replace(perStep, '').trim() };
}

function readNumber(cell: string): { value: number; rest: string } | undefined {
  const text = cell.trim().replace(/[\u2212\u2013]/g, '-');
  const hex = /^([-+]?)0x([0-9a-f]+)$/i.exec(text);
  if (hex) return { value: (hex[1] === '-' ? -1 : 1) * Number.parseInt(hex[2] as string, 16), rest: '' };
  const match = numberPattern.exec(text);
  if (!match) return undefined;
  const [whole, divides, digits, power, divisor] = match;
  const base = toNumber(digits as string) ** (power === undefined ? 1 : Number(power));
  const value = (divides ? 1 / base : base) / (divisor === undefined ? 1 : toNumber(divisor));
  return Number.isFinite(value) ? { value, rest: text.slice(whole.length) } : undefined;
}

/** A straight line over a raw value: value = factor × raw + offset. */
export interface Linear {
  factor: number;
  offset: number;
}

/** What manuals call the raw value. */
const rawNames = new Set(['x', 'raw', 'rawvalue', 'value', 'val', 'n', 'd', 'dec', 'data', 'bits', 'counts', 'count', 'adc', 'y']);
const depthMax = 8;

/**
 * `raw * 0.1 + 5 V`, `T = (x - 500) / 10`, `0.01x`, `x/100 km/h`; undefined for what is no straight line over one raw value.
 * Worked: (x − 500) / 10 is 0.1 × raw − 50.
 */
export function parseLinear(cell: string): Linear | undefined {
  const text = cell
    .replace(/[\u2212\u2013]/g, '-')
    .replace(/[×·]/g, '*')
    .replace(/÷/g, '/')
    .replace(/^[^=]*=/, '')
    .replace(/\b(raw|data) value\b/gi, 'raw');
  const tokens = [...text.matchAll(/\d[\d.,]*(?:e[-+]?\d+)?|\.\d+|[a-z°%µ]+|[-+*/()]/gi)].map(([token]) => token.toLowerCase());
  const line = new LinearReader(tokens).read();
  // Every other sign would mean something that isn't understood.
  const known = /^[\s\d.,a-z°%µ²³+*/()[\]-]*$/i.test(text);
  return line && known && line.factor !== 0 && Number.isFinite(line.factor) && Number.isFinite(line.offset) ? line : undefined;
}

/** Sums, products and quotients of numbers and the raw value; behind the whole a unit may stand. */
class LinearReader {
  private readonly tokens: readonly string[];
  private at = 0;

  constructor(tokens: readonly string[]) {
    this.tokens = tokens;
  }

  read(): Linear | undefined {
    const line = this.sum(0);
    const rest = this.tokens.slice(this.at);
    // `km/h`: words joined by strokes, and nothing that computes.
    return rest.every((token, i) => (i % 2 === 0 ? isWord(token) && !rawNames.has(token) : token === '/' || token === '*'))
      ? line
      : undefined;
  }

  private sum(depth: number): Linear | undefined {
    let line = this.product(depth);
    for (let sign = this.take('+', '-'); line && sign; sign = this.take('+', '-')) {
      const next = this.product(depth);
      const by = sign === '-' ? -1 : 1;
      line = next && { factor: line.factor + by * next.factor, offset: line.offset + by * next.offset };
    }
    return line;
  }

  private product(depth: number): Linear | undefined {
    let line = this.atom(depth);
    while (line) {
      // A stroke or star before a word that is no raw value belongs to the unit.
      const named = this.tokens[this.at + 1];
      if (named !== undefined && isWord(named) && !rawNames.has(named)) break;
      const operator = this.take('*', '/') ?? (this.isRawNext() || this.tokens[this.at] === '(' ? '*' : undefined);
      if (operator === undefined) break;
      const next = this.atom(depth);
      line = next && times(line, operator, next);
    }
    return line;
  }

  private atom(depth: number): Linear | undefined {
    const token = this.tokens[this.at++];
    if (token === undefined || depth > depthMax) return undefined;
    if (token === '-' || token === '+') {
      const line = this.atom(depth + 1);
      return line && (token === '-' ? { factor: -line.factor, offset: -line.offset } : line);
    }
    if (token === '(') {
      const line = this.sum(depth + 1);
      return this.take(')') ? line : undefined;
    }
    if (rawNames.has(token)) return { factor: 1, offset: 0 };
    const number = /^[\d.]/.test(token) ? toNumber(token) : Number.NaN;
    return Number.isFinite(number) ? { factor: 0, offset: number } : undefined;
  }

  private isRawNext(): boolean {
    return rawNames.has(this.tokens[this.at] ?? '');
  }

  private take(...wanted: string[]): string | undefined {
    const token = this.tokens[this.at];
    if (token === undefined || !wanted.includes(token)) return undefined;
    this.at++;
    return token;
  }
}

function isWord(token: string): boolean {
  return /^[a-z°%µ]/i.test(token);
}

function times(a: Linear, operator: string, b: Linear): Linear | undefined {
  if (operator === '/') return b.factor === 0 && b.offset !== 0 ? { factor: a.factor / b.offset, offset: a.offset / b.offset } : undefined;
  if (a.factor !== 0 && b.factor !== 0) return undefined;
  return { factor: a.factor * b.offset + a.offset * b.factor, offset: a.offset * b.offset };
}

/** A comma is a decimal one, unless a point stands behind it. */
function toNumber(text: string): number {
  return Number(text.includes('.') ? text.replaceAll(',', '') : text.replace(',', '.'));
}

/** `0..250`, `-40 to 210 degC`, `0 - 100`: both ends. */
export function parseSpan(cell: string): { low: number; high: number } | undefined {
  const text = cell.trim().replace(/[\u2212\u2013]/g, '-');
  const match = /^([-+]?\d[\d.,]*?)\s*[^\d.,-]*?\s*(?:\.\.+|…|\bto\b|-|~)\s*([-+]?\d[\d.,]*)/i.exec(text);
  if (!match) return undefined;
  const [low, high] = [toNumber(match[1] as string), toNumber(match[2] as string)];
  return Number.isFinite(low) && Number.isFinite(high) && low <= high ? { low, high } : undefined;
}

/** A place as the table counts it; nothing is known yet of where counting begins and which bit is the first. */
export interface TablePlace {
  byte?: { first: number; last?: number };
  /** Within the byte when `byte` is there, otherwise within the frame. */
  bit?: {
    first: number;
    last?: number;
    /** Both are the signal's ends: the most and the least significant bit, in whatever bytes. */
    ends?: true;
  };
}

const between = String.raw`\s*(?:-|:|\.\.+|…|,|&|\+|/|\bto\b|\band\b)\s*`;
const byteRange = new RegExp(String.raw`^\D*?(\d+)(?:${between}\D*?(\d+))?\s*$`, 'i');
const byteWithBits = new RegExp(String.raw`^(?:bytes?|b|d)?\s*(\d+)\s*(?:\.|,?\s*bits?\s*|\[)\s*(\d+)(?:${between}(\d+))?\s*\]?$`, 'i');

/** Numbers in decimal, and without what stands in round brackets: `Byte 1 (MSB) - Byte 2 (LSB)`. */
function toPlainPlace(cell: string): string {
  return cell
    .replace(/[\u2212\u2013]/g, '-')
    .replace(/\([^)]*\)/g, ' ')
    .replace(/\b0x([0-9a-f]+)\b/gi, (_, digits) => String(Number.parseInt(digits, 16)))
    .trim();
}

/** `2`, `2-3`, `B2..B3`, `3.5` (byte and bit), `byte 3 bits 4-5`, `3[5:4]`. */
export function parseBytePlace(cell: string): TablePlace | undefined {
  const text = toPlainPlace(cell);
  const both = byteWithBits.exec(text);
  if (both) return { byte: { first: Number(both[1]) }, bit: span(both[2] as string, both[3]) };
  const range = byteRange.exec(text);
  return range ? { byte: span(range[1] as string, range[2]) } : undefined;
}

/** `4`, `4-5`, `7:4`, `bits 0..3`. */
export function parseBitSpan(cell: string): { first: number; last?: number } | undefined {
  const range = byteRange.exec(toPlainPlace(cell));
  return range ? span(range[1] as string, range[2]) : undefined;
}

function span(one: string, other: string | undefined): { first: number; last?: number } {
  const first = Number(one);
  if (other === undefined) return { first };
  return { first: Math.min(first, Number(other)), last: Math.max(first, Number(other)) };
}

/** What a type says: `uint16`, `S8`, `signed int`, `unsigned 16 bit`, `float`, `2 bytes`, `word`, `U16_BE`, `bool`. */
export interface CellType {
  sign?: 'unsigned' | 'signed' | 'float';
  bitLength?: number;
  byteOrder?: 'little' | 'big';
}

const unsignedWords =
  /\b(unsigned|vorzeichenlos|ohne vorzeichen|non signe|sin signo|senza segno|sem sinal|zonder teken|utan tecken|bez znaku)\b/;
const signedWords =
  /\b(signed|two.?s complement|vorzeichenbehaftet|mit vorzeichen|zweierkomplement|signe|con signo|con segno|com sinal|met teken|med tecken|ze znakiem)\b/;

const namedTypes: readonly [pattern: RegExp, type: CellType][] = [
  [/\b(double|float64|real64)\b/, { sign: 'float', bitLength: 64 }],
  [/\b(float|float32|single|real|real32|ieee ?754)\b/, { sign: 'float', bitLength: 32 }],
  [/\b(bool|boolean|flag)\b|^(1 )?bit$/, { sign: 'unsigned', bitLength: 1 }],
  [/\b(unsigned char|uchar|byte)\b/, { sign: 'unsigned', bitLength: 8 }],
  [/\b(unsigned short|ushort|word)\b/, { sign: 'unsigned', bitLength: 16 }],
  [/\b(unsigned long|ulong|dword)\b/, { sign: 'unsigned', bitLength: 32 }],
  [/\b(char)\b/, { sign: 'signed', bitLength: 8 }],
  [/\b(short)\b/, { sign: 'signed', bitLength: 16 }],
  [/\b(long)\b/, { sign: 'signed', bitLength: 32 }],
];

export function parseType(cell: string): CellType {
  const text = plainLetters(cell)
    .toLowerCase()
    .replace(/_t\b/g, '')
    .replace(/[_()/,]+/g, ' ')
    .replace(/(\d)([a-z])/g, '$1 $2')
    .trim();
  const type: CellType = { ...namedTypes.find(([pattern]) => pattern.test(text))?.[1] };
  if (type.sign === undefined) {
    if (/\b(u|un|uns|uint|unsigned)\d*\b/.test(text) || unsignedWords.test(text)) type.sign = 'unsigned';
    else if (/\b(s|i|int|sint|signed)\d*\b/.test(text) || signedWords.test(text)) type.sign = 'signed';
  } else if (type.sign !== 'float') {
    if (/\bunsigned\b/.test(text) || unsignedWords.test(text)) type.sign = 'unsigned';
    else if (/\bsigned\b/.test(text) || signedWords.test(text)) type.sign = 'signed';
  }
  const size = /(\d+)\s*(bytes?)?/.exec(text);
  if (size && type.bitLength === undefined) type.bitLength = Number(size[1]) * (size[2] ? 8 : 1);
  const byteOrder = parseByteOrder(text);
  if (byteOrder) type.byteOrder = byteOrder;
  return type;
}

/** Which byte comes first, in words or as the trade's usual letters. */
export function parseByteOrder(cell: string): 'little' | 'big' | undefined {
  const text = cell.toLowerCase();
  // The one that stands first: `MSB-LSB`, `low byte, high byte`.
  const big = text.search(/\b(big|be|motorola|msb|network|high|hi|hb)\b|big-?endian/);
  const little = text.search(/\b(little|le|intel|lsb|low|lo|lb)\b|little-?endian/);
  if (big < 0 && little < 0) return undefined;
  return little < 0 || (big >= 0 && big < little) ? 'big' : 'little';
}

export function parseSign(cell: string): 'unsigned' | 'signed' | 'float' | undefined {
  const text = plainLetters(cell).trim().toLowerCase();
  if (/^(unsigned|uns|u|no|n|false|0|\+|nein|non|nao|nee|nej|nie)$/.test(text) || unsignedWords.test(text)) return 'unsigned';
  if (/^(signed|s|yes|y|true|1|\+\/-|±|-|ja|oui|si|sim|tak)$/.test(text) || signedWords.test(text)) return 'signed';
  return /^(float|ieee)/.test(text) ? 'float' : undefined;
}

/** Whether an id has 29 bits, where a cell says so. */
export function parseExtended(cell: string): boolean | undefined {
  const text = cell.trim().toLowerCase();
  if (/^(yes|y|true|1|x|ext.*|29.*|2\.0b)$/.test(text)) return true;
  return /^(no|n|false|0|std.*|standard|base|11.*|2\.0a)$/.test(text) ? false : undefined;
}

/** A name as files have it: `Engine Speed (RPM)` → engine_speed, `5V Supply` → signal_5v_supply. */
export function toSnakeName(cell: string, first = 'signal'): string {
  const name = plainLetters(cell)
    .replace(/[([][^)\]]*[)\]]/g, ' ')
    .replace(/([a-z0-9])([A-Z][a-z])/g, '$1_$2')
    .toLowerCase()
    .replace(/%/g, ' percent ')
    .replace(/[^a-z0-9]+/g, '_')
    .replace(/^_+|_+$/g, '');
  if (name === '') return '';
  return /^[a-z]/.test(name) ? name : `${first}_${name}`;
}

const stateStart = String.raw`(?:0x[0-9a-f]+|\d+)\s*[=:-]`;

/** `0=off, 1=on`, `0: off; 1: on`, `0=N 1=1st` as raw values with names; undefined where it is anything else. */
export function parseStates(cell: string): [raw: string, name: string][] | undefined {
  const parts = cell
    .split(new RegExp(String.raw`\s*[,;/\n]\s*|\s+(?=${stateStart})`, 'i'))
    .map((part) => /^\s*(0x[0-9a-f]+|\d+)\s*[=:-]\s*(.+?)\s*$/i.exec(part));
  if (parts.length === 0 || parts.some((part) => !part)) return undefined;
  return parts.map((part) => [part?.[1] as string, part?.[2] as string]);
}

/** `16 states/4 bit`, as tables of J1939 write it: no factor, each raw value means something. */
export function isStatesPerBits(cell: string): boolean {
  return /^\s*\d+\s*states?\b/i.test(cell);
}

/** Raw values `0xFFFF`, `FFh`, `65280..65535`, as definition files write them; undefined where a cell is neither. */
export function parseRawCell(cell: string): string | undefined {
  const text = cell
    .trim()
    .replace(/(?:\$|\b)([0-9a-f]+)h\b|\$([0-9a-f]+)\b/gi, (_, behind, before) => `0x${(behind ?? before).toUpperCase()}`)
    .replace(/\s*(?:-|–|\bto\b)\s*/, '..');
  return /^(0x[0-9a-f]+|\d+)(\.\.(0x[0-9a-f]+|\d+))?$/i.test(text) ? text : undefined;
}

/** An id as a cell has it, perhaps with words beside it. */
export interface IdCell {
  id: number;
  /** Written so that it can only be one of 29 bits. */
  extended: boolean;
  /** Words beside it: the frame's name. */
  words: string;
}

const prefixedId = /(?:0x|\$|16#)[0-9a-f]+\b|\b[0-9][0-9a-f]*h\b|\b[a-f][0-9a-f]*[0-9][0-9a-f]*h\b/gi;
const idMax = 0x1fffffff;

/**
 * `0x4C0`, `4C0h`, `$4C0`, `18 FF 12 00`, `ID 0x510`, `0x511 (1297)`, `1280 Pressures`; undefined where no single id stands.
 *
 * @param base Of digits without a prefix.
 */
export function parseId(cell: string, base: 'hex' | 'dec'): IdCell | undefined {
  const alone = /^(0x|\$|16#)?([0-9a-f]+)\s*(h)?\s*(x)?$/i.exec(cell.replace(/[\s_]/g, ''));
  if (alone) {
    const digits = alone[2] as string;
    const hex = alone[1] !== undefined || alone[3] !== undefined || base === 'hex' || /[a-f]/i.test(digits);
    return toIdCell(Number.parseInt(digits, hex ? 16 : 10), alone[4] !== undefined || (hex && digits.length === 8), '');
  }
  const prefixed = [...cell.matchAll(prefixedId)].map(([text]) => text);
  const [first] = prefixed;
  if (first !== undefined) {
    const digits = first.replace(/^(0x|\$|16#)|h$/gi, '');
    const id = Number.parseInt(digits, 16);
    const same = prefixed.every((text) => Number.parseInt(text.replace(/^(0x|\$|16#)|h$/gi, ''), 16) === id);
    const words = cell.replace(prefixedId, ' ').replace(new RegExp(`\\b${id}\\b`), ' ');
    return same ? toIdCell(id, digits.length === 8, words) : undefined;
  }
  const plain = /^(?:(?:can )?id:?\s*)?(\d[0-9a-f]*)\s*[-–:,(/ ]\s*(.*)$/i.exec(cell) ?? /^(?:can )?id:?\s*([0-9a-f]+)()$/i.exec(cell);
  if (!plain) return undefined;
  const digits = plain[1] as string;
  return toIdCell(Number.parseInt(digits, base === 'hex' || /[a-f]/i.test(digits) ? 16 : 10), false, plain[2] as string);
}

function toIdCell(id: number, extended: boolean, beside: string): IdCell | undefined {
  const words = beside
    .replace(/\b(can|id|hex|dec|frame|message|msg|identifier)\b:?/gi, ' ')
    .replace(/\([^)]*\)/g, ' ')
    .replace(/^[^\p{L}\d]+|[^\p{L}\d)]+$/gu, '')
    .trim();
  return id <= idMax ? { id, extended, words } : undefined;
}
