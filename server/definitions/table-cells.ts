// What single cells of a device manual's table say: numbers, positions, types and units in the spellings that manuals have.
import { findUnit, units } from '../channels/unit.ts';

/** `0.1`, `0,1`, `1/8`, `x0.1`, `/10`, `0.125 rpm/bit`, `0x1F`; undefined when there is no number. */
export function parseNumber(cell: string): number | undefined {
  const text = cell.trim().replace(/[\u2212\u2013]/g, '-');
  const hex = /^([-+]?)0x([0-9a-f]+)$/i.exec(text);
  if (hex) return (hex[1] === '-' ? -1 : 1) * Number.parseInt(hex[2] as string, 16);
  const match = /^(?:[x×*]\s*)?(\/\s*)?([-+]?[\d.,]*\d[\d.,]*(?:e[-+]?\d+)?)(?:\s*\/\s*(\d+(?:[.,]\d+)?))?(?=$|[\s%°a-zA-Zµ/])/i.exec(text);
  if (!match) return undefined;
  const number = toNumber(match[2] as string);
  const below = match[3] === undefined ? 1 : toNumber(match[3]);
  const value = (match[1] ? 1 / number : number) / below;
  return Number.isFinite(value) ? value : undefined;
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
  bit?: { first: number; last?: number };
}

const between = String.raw`\s*(?:-|:|\.\.+|…|,|&|\bto\b|\band\b)\s*`;
const byteRange = new RegExp(String.raw`^\D*?(\d+)(?:${between}\D*?(\d+))?\s*$`, 'i');
const byteWithBits = new RegExp(String.raw`^(?:bytes?|b|d)?\s*(\d+)\s*(?:\.|,?\s*bits?\s*|\[)\s*(\d+)(?:${between}(\d+))?\s*\]?$`, 'i');

/** `2`, `2-3`, `B2..B3`, `3.5` (byte and bit), `byte 3 bits 4-5`, `3[5:4]`. */
export function parseBytePlace(cell: string): TablePlace | undefined {
  const text = cell.trim().replace(/[\u2212\u2013]/g, '-');
  const both = byteWithBits.exec(text);
  if (both) return { byte: { first: Number(both[1]) }, bit: span(both[2] as string, both[3]) };
  const range = byteRange.exec(text);
  return range ? { byte: span(range[1] as string, range[2]) } : undefined;
}

/** `4`, `4-5`, `7:4`, `bits 0..3`. */
export function parseBitSpan(cell: string): { first: number; last?: number } | undefined {
  const range = byteRange.exec(cell.trim().replace(/[\u2212\u2013]/g, '-'));
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
  const text = cell
    .toLowerCase()
    .replace(/_t\b/g, '')
    .replace(/[_()/,]+/g, ' ')
    .trim();
  const type: CellType = { ...namedTypes.find(([pattern]) => pattern.test(text))?.[1] };
  if (type.sign === undefined) {
    if (/\b(u|un|uns|uint|unsigned)\d*\b/.test(text)) type.sign = 'unsigned';
    else if (/\b(s|i|int|sint|signed)\d*\b/.test(text)) type.sign = 'signed';
  } else if (type.sign === 'signed' && /\bunsigned\b/.test(text)) type.sign = 'unsigned';
  const size = /(\d+)\s*(bytes?)?/.exec(text);
  if (size && type.bitLength === undefined) type.bitLength = Number(size[1]) * (size[2] ? 8 : 1);
  const byteOrder = parseByteOrder(text);
  if (byteOrder) type.byteOrder = byteOrder;
  return type;
}

/** Which byte comes first, in words or as the trade's usual letters. */
export function parseByteOrder(cell: string): 'little' | 'big' | undefined {
  const text = cell.toLowerCase();
  if (/\b(big|be|motorola|msb|network|high)\b|big-?endian/.test(text)) return 'big';
  if (/\b(little|le|intel|lsb|low)\b|little-?endian/.test(text)) return 'little';
  return undefined;
}

export function parseSign(cell: string): 'unsigned' | 'signed' | 'float' | undefined {
  const text = cell.trim().toLowerCase();
  if (/^(unsigned|uns|u|no|n|false|0|\+)$/.test(text)) return 'unsigned';
  if (/^(signed|s|yes|y|true|1|\+\/-|±|-|two.?s complement)$/.test(text)) return 'signed';
  return /^(float|ieee)/.test(text) ? 'float' : undefined;
}

/** Whether an id has 29 bits, where a cell says so. */
export function parseExtended(cell: string): boolean | undefined {
  const text = cell.trim().toLowerCase();
  if (/^(yes|y|true|1|x|ext.*|29.*|2\.0b)$/.test(text)) return true;
  return /^(no|n|false|0|std.*|standard|base|11.*|2\.0a)$/.test(text) ? false : undefined;
}

const otherUnits: Readonly<Record<string, string>> = {
  c: 'degC',
  celsius: 'degC',
  degreec: 'degC',
  degreesc: 'degC',
  degreescelsius: 'degC',
  degcelsius: 'degC',
  f: 'degF',
  fahrenheit: 'degF',
  degreesf: 'degF',
  kelvin: 'K',
  percent: '%',
  pct: '%',
  '1/min': 'rpm',
  'r/min': 'rpm',
  'min-1': 'rpm',
  revmin: 'rpm',
  'rev/min': 'rpm',
  volt: 'V',
  volts: 'V',
  millivolts: 'mV',
  amp: 'A',
  amps: 'A',
  ampere: 'A',
  sec: 's',
  seconds: 's',
  second: 's',
  msec: 'ms',
  milliseconds: 'ms',
  usec: 'us',
  microseconds: 'us',
  degrees: 'deg',
  degree: 'deg',
  '°': 'deg',
  degbtdc: 'deg',
  kph: 'km/h',
  kmh: 'km/h',
  millibar: 'mbar',
  hpa: 'mbar',
  ohms: 'ohm',
  Ω: 'ohm',
  λ: 'lambda',
  'lb-ft': 'lbft',
  'ft-lb': 'lbft',
  n·m: 'Nm',
  'n*m': 'Nm',
  'l/hr': 'L/h',
  'kg/hr': 'kg/h',
  'lb/hr': 'lb/h',
  'cc/m': 'cc/min',
  'ml/min': 'cc/min',
  litres: 'L',
  liters: 'L',
  hertz: 'Hz',
};

const plainUnits = new Set(['', '-', '–', 'n/a', 'none', 'raw', 'bool', 'boolean', 'flag', 'enum', 'state', 'bit', 'na', '1']);

/** A unit of `channels/unit.ts` by other spellings, '' for none; undefined when it is none that is known. */
export function parseUnit(cell: string): string | undefined {
  const text = cell
    .trim()
    .replace(/^\[(.*)\]$/, '$1')
    .replace(/^µ|^μ/, 'u')
    // The ordinal sign looks the same, and stands on more keyboards.
    .replace('º', '°');
  if (findUnit(text)) return text;
  const lower = text.toLowerCase().replace(/\s+/g, '');
  if (plainUnits.has(lower)) return '';
  const degrees = lower.replace('°', 'deg').replace(/^degrees?/, 'deg');
  const byCase = [...units.keys()].find((name) => name.toLowerCase() === lower || name.toLowerCase() === degrees);
  return byCase ?? otherUnits[lower] ?? otherUnits[degrees];
}

/** `psig`, `kPa abs`, `bar (g)`: a unit of pressure with what it counts from; undefined for anything else. */
export function parsePressure(cell: string): { unit: string; reference: 'gauge' | 'absolute' } | undefined {
  const match = /^\s*(.*?[a-z])\s*[[(]?\s*(abs(?:olute)?|a|gauge|gage|g|rel(?:ative)?)\.?\s*[\])]?\s*$/i.exec(cell);
  const unit = match ? parseUnit(match[1] as string) : undefined;
  if (!match || unit === undefined || findUnit(unit)?.dimension !== 'pressure' || findUnit(cell.trim())) return undefined;
  return { unit, reference: /^a/i.test(match[2] as string) ? 'absolute' : 'gauge' };
}

/** A name as files have it: `Engine Speed (RPM)` → engine_speed, `5V Supply` → signal_5v_supply. */
export function toSnakeName(cell: string, first = 'signal'): string {
  const name = cell
    .normalize('NFKD')
    .replace(/[\u0300-\u036f]/g, '')
    .replace(/[([][^)\]]*[)\]]/g, ' ')
    .replace(/([a-z0-9])([A-Z][a-z])/g, '$1_$2')
    .toLowerCase()
    .replace(/%/g, ' percent ')
    .replace(/[^a-z0-9]+/g, '_')
    .replace(/^_+|_+$/g, '');
  if (name === '') return '';
  return /^[a-z]/.test(name) ? name : `${first}_${name}`;
}

/** `0=off, 1=on` as raw values with names; undefined where it is anything else. */
export function parseStates(cell: string): [raw: string, name: string][] | undefined {
  const parts = cell.split(/[,;/\n]/).map((part) => /^\s*(0x[0-9a-f]+|\d+)\s*[=:-]\s*(.+?)\s*$/i.exec(part));
  if (parts.length === 0 || parts.some((part) => !part)) return undefined;
  return parts.map((part) => [part?.[1] as string, part?.[2] as string]);
}

/** `16 states/4 bit`, as tables of J1939 write it: no factor, each raw value means something. */
export function isStatesPerBits(cell: string): boolean {
  return /^\s*\d+\s*states?\b/i.test(cell);
}

/** Raw values `0xFFFF`, `65280..65535`, as definition files write them; undefined where a cell is neither. */
export function parseRawCell(cell: string): string | undefined {
  const text = cell.trim().replace(/\s*(?:-|–|\bto\b)\s*/, '..');
  return /^(0x[0-9a-f]+|\d+)(\.\.(0x[0-9a-f]+|\d+))?$/i.test(text) ? text : undefined;
}
