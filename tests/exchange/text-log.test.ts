import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { Intake } from '../../server/exchange/intake.ts';
import { TextParser } from '../../server/exchange/text-log.ts';
import { malformedNamedMax } from '../../server/limits.ts';
import { oneBus, type Row, readContent, rowsOf } from './read-frames.ts';

const at = 1_700_000_000_000_454;

function row(id: string, data: string, fd = '', timeUs = at): Row {
  return { timeUs, bus: 0, id, data, fd };
}

function parse(text: string) {
  const intake = new Intake(oneBus);
  const batch = new FrameBatch();
  new TextParser(intake).take(Buffer.from(text, 'latin1'), true, batch);
  return { rows: rowsOf(batch), counts: intake.counts };
}

describe('a line of a text log', () => {
  it.each<[string, string, Row]>([
    ['an 11-bit id', '(1700000000.000454) can0 512#6C9600E3', row('512', '6C9600E3')],
    ['a 29-bit id', '(1700000000.000454) can0 18FEF100#FFFF', row('18FEF100', 'FFFF')],
    ['a 29-bit id that would fit in 11', '(1700000000.000454) can0 00000512#00', row('00000512', '00')],
    ['small letters', '(1700000000.000454) vcan1 7ff#deadbeef', row('7FF', 'DEADBEEF')],
    ['no data', '(1700000000.000454) can0 512#', row('512', '')],
    ['a remote frame', '(1700000000.000454) can0 512#R', row('512', 'R0')],
    ['a remote frame with a length', '(1700000000.000454) can0 512#R8', row('512', 'R8')],
    ['an FD frame', '(1700000000.000454) can0 512##06C9600E3', row('512', '6C9600E3', 'F')],
    [
      'an FD frame with both flags',
      '(1700000000.000454) can0 18FEF100##3112233445566778899AABBCC',
      row('18FEF100', '112233445566778899AABBCC', 'FBE'),
    ],
    ['an FD flags digit with the FD bit', '(1700000000.000454) can0 512##5AA', row('512', 'AA', 'FB')],
    ['an error frame', '(1700000000.000454) can0 20000004#0004000000000000', row('E00000004', '0004000000000000')],
    ['a length code above 8', '(1700000000.000454) can0 512#1122334455667788_B', row('512', '1122334455667788')],
    ['points between the bytes', '(1700000000.000454) can0 512#11.22.33', row('512', '112233')],
    ['a carriage return', '(1700000000.000454) can0 512#01\r', row('512', '01')],
    ['spaces around', '  (1700000000.000454)   can0\t512#01  ', row('512', '01')],
    ['tenths of a second', '(1700000000.5) can0 512#01', row('512', '01', '', 1_700_000_000_500_000)],
    ['whole seconds', '(1700000000) can0 512#01', row('512', '01', '', 1_700_000_000_000_000)],
    ['nanoseconds, rounded down', '(1700000000.000454499) can0 512#01', row('512', '01')],
    ['nanoseconds, rounded up', '(1700000000.000453500) can0 512#01', row('512', '01')],
    ['nanoseconds, rounded into the next second', '(1700000000.999999500) can0 512#01', row('512', '01', '', 1_700_000_001_000_000)],
    ['a time near zero', '(0000000000.000001) can0 512#01', row('512', '01', '', 1)],
  ])('with %s is a frame', (_title, line, expected) => {
    const { rows, counts } = parse(`${line}\n`);
    expect(rows).toEqual([expected]);
    expect(counts.malformed).toBe(0);
  });

  it.each([
    ['no time', 'can0 512#00'],
    ['an empty time', '() can0 512#00'],
    ['words for a time', '(now) can0 512#00'],
    ['a negative time', '(-1.000000) can0 512#00'],
    ['a time beyond exact microseconds', '(99999999999.000000) can0 512#00'],
    ['an 11-bit id above 7FF', '(1700000000.000454) can0 800#00'],
    ['an id of 5 digits', '(1700000000.000454) can0 12345#00'],
    ['an id of 9 digits', '(1700000000.000454) can0 123456789#00'],
    ['a 29-bit id above 1FFFFFFF', '(1700000000.000454) can0 92345678#00'],
    ['no id', '(1700000000.000454) can0 #00'],
    ['no interface', '(1700000000.000454) 512#00'],
    ['half a byte', '(1700000000.000454) can0 512#001'],
    ['nine bytes', '(1700000000.000454) can0 512#000102030405060708'],
    ['FD with a length that does not exist', `(1700000000.000454) can0 512##0${'00'.repeat(9)}`],
    ['FD of 65 bytes', `(1700000000.000454) can0 512##0${'00'.repeat(65)}`],
    ['FD without flags', '(1700000000.000454) can0 512##'],
    ['a remote frame that asks for 9', '(1700000000.000454) can0 512#R9'],
    ['letters that are no hexadecimal', '(1700000000.000454) can0 512#0G'],
    ['something behind the frame', '(1700000000.000454) can0 512#00 and more'],
    ['cut off in its time', '(17000000'],
    ['cut off behind its id', '(1700000000.000454) can0 512'],
    ['binary rubbish', '\u0001\u0002\u00ff\u00fe'],
  ])('with %s is malformed', (_title, line) => {
    const { rows, counts } = parse(`(1.0) can0 001#\n${line}\n(1.0) can0 002#\n`);
    expect(rows.map(({ id }) => id)).toEqual(['001', '002']);
    expect(counts.malformed).toBe(1);
    expect(counts.malformedNamed[0]).toMatchObject({ unit: 'line', at: 2 });
    expect(counts.malformedNamed[0]?.why).not.toBe('');
  });

  it('may be blank or a comment', () => {
    const { rows, counts } = parse('# taken on the bench\n\n  \n(1.0) can0 001#\n');
    expect(rows.length).toBe(1);
    expect(counts.malformed).toBe(0);
  });

  it('may tell the direction, which is counted', () => {
    const { rows, counts } = parse('(1.0) can0 001#FFFF R\n(1.0) can0 001#FFFF T\n(1.0) can0 001#FFFF T\r\n(1.0) can0 001#R\n');
    expect(rows.length).toBe(4);
    expect([counts.received, counts.transmitted]).toEqual([1, 2]);
  });

  it('without a newline at the end of the file is read all the same', () => {
    expect(parse('(1.0) can0 001#\n(1.5) can0 002#AA').rows.map(({ id, data }) => id + data)).toEqual(['001', '002AA']);
  });
});

describe('a line as printed on a screen', () => {
  it.each<[string, string, Row]>([
    ['a frame', ' (1700000000.000454)  can0  512   [4]  6C 96 00 E3', row('512', '6C9600E3')],
    ['characters behind it', " (1700000000.000454)  can0       512   [4]  6C 96 00 E3               'l...'", row('512', '6C9600E3')],
    ['no data', ' (1700000000.000454)  can0  512   [0]', row('512', '')],
    ['a 29-bit id', ' (1700000000.000454)  can0  18FEF100   [2]  FF FF', row('18FEF100', 'FFFF')],
    ['an FD frame', ' (1700000000.000454)  can0  512  [04]  6C 96 00 E3', row('512', '6C9600E3', 'F')],
    ['a remote frame', ' (1700000000.000454)  can0  512   [4]  remote request', row('512', 'R4')],
    [
      'an error frame',
      ' (1700000000.000454)  can0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME',
      row('E00000004', '0004000000000000'),
    ],
    ['a direction', ' (1700000000.000454)  can0  RX - -  512   [1]  6C', row('512', '6C')],
    // can-utils candump.c, extra_m_info: a column for the bit rate switch, one for the error state indicator.
    ['a direction and FD flags', ' (1700000000.000454)  can0  TX B E  512  [01]  6C', row('512', '6C', 'FBE')],
    ['a bit rate switch alone', ' (1700000000.000454)  can0  RX B -  512  [01]  6C', row('512', '6C', 'FB')],
    ['an error state alone', ' (1700000000.000454)  can0  RX - E  512  [01]  6C', row('512', '6C', 'FE')],
    ['a date', ' (2023-11-14 22:13:20.000454)  can0  512   [1]  6C', row('512', '6C')],
  ])('is read: %s', (_title, line, expected) => {
    const { rows, counts } = parse(`${line}\n`);
    expect(rows).toEqual([expected]);
    expect(counts.malformed).toBe(0);
  });

  it.each([
    ['another number of bytes than announced', ' (1700000000.000454)  can0  512   [3]  6C 96'],
    ['no time', '  can0  512   [2]  6C 96'],
    ['binary digits', ' (1700000000.000454)  can0  512   [2]  01101100 10010110'],
    ['no length', ' (1700000000.000454)  can0  512   6C 96'],
    ['a date that does not exist', ' (2023-14-14 22:13:20.000454)  can0  512   [1]  6C'],
  ])('is malformed with %s', (_title, line) => {
    const { rows, counts } = parse(`${line}\n`);
    expect(rows).toEqual([]);
    expect(counts.malformed).toBe(1);
  });

  it('skips the details that follow an error frame, and only those', () => {
    const error = ' (1.0)  can0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME\n';
    const { rows, counts } = parse(`${error}\tcontroller-problem{rx-error-warning}\n (1.0)  can0  001   [0]\n\tstray\n`);
    expect(rows.map(({ id }) => id)).toEqual(['E00000004', '001']);
    expect(counts.malformedNamed.map(({ at }) => at)).toEqual([4]);
  });
});

describe('a file of text', () => {
  it('counts all malformed lines and names the first of them', async () => {
    const bad = 'nonsense\n'.repeat(malformedNamedMax + 20);
    const { counts } = await readContent(`(1.0) can0 001#\n${bad}`);
    expect(counts.malformed).toBe(malformedNamedMax + 20);
    expect(counts.malformedNamed.length).toBe(malformedNamedMax);
    expect(counts.malformedNamed[0]?.at).toBe(2);
  });

  it('counts frames that are older than the one before and keeps their order', async () => {
    const { rows, counts } = await readContent('(1.0) can0 001#\n(0.5) can0 002#\n(2.0) can0 003#\n');
    expect(rows.map(({ timeUs }) => timeUs)).toEqual([1_000_000, 500_000, 2_000_000]);
    expect(counts.backwards).toBe(1);
  });

  it('counts rounded times', async () => {
    const { counts } = await readContent('(1.000000000) can0 001#\n(1.000000001) can0 001#\n(1.0000005) can0 001#\n');
    expect(counts.roundedTimes).toBe(2);
  });
});
