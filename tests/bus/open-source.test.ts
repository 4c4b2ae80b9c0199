import { describe, expect, it } from 'vitest';
import { parseSource } from '../../server/bus/open-source.ts';
import { EvenburnError } from '../../server/errors.ts';

describe('a source as the person writes it', () => {
  it.each([
    ['socketcan:can0', { kind: 'socketcan', interface: 'can0' }],
    ['serial:/dev/ttyACM0', { kind: 'serial', port: '/dev/ttyACM0', baud: 115_200, acknowledges: false }],
    ['serial:COM3?baud=921600&acknowledge=yes', { kind: 'serial', port: 'COM3', baud: 921_600, acknowledges: true }],
    ['serial:/dev/ttyUSB0?rate=250000', { kind: 'serial', port: '/dev/ttyUSB0', baud: 115_200, acknowledges: false, bitRate: 250_000 }],
    ['file:pull.log', { kind: 'file', path: 'pull.log', speed: 1 }],
    ['file:C:\\logs\\pull 1.pcapng?speed=max', { kind: 'file', path: 'C:\\logs\\pull 1.pcapng', speed: 'max' }],
    ['file:what?.log?speed=0.5', { kind: 'file', path: 'what?.log', speed: 0.5 }],
    ['file:what?', { kind: 'file', path: 'what?', speed: 1 }],
    ['simulator', { kind: 'simulator', speed: 1 }],
    ['simulator:demo', { kind: 'simulator', scenario: 'demo', speed: 1 }],
    ['simulator:warm up.yaml?speed=4', { kind: 'simulator', scenario: 'warm up.yaml', speed: 4 }],
    ['simulator?speed=max', { kind: 'simulator', speed: 'max' }],
  ])('%s', (text, description) => {
    expect(parseSource(text)).toEqual(description);
  });

  it.each([
    ['', 'none of'],
    ['can0', 'none of'],
    ['SOCKETCAN:can0', 'none of'],
    ['socketcan:', 'socketcan:INTERFACE'],
    ['serial:', 'serial:PORT'],
    ['file:', 'file:PATH'],
    ['file:a?speed=0', 'speed is max or a number'],
    ['file:a?speed=fast', 'speed is max or a number'],
    ['file:a?speed=', 'speed is max or a number'],
    ['simulator:demo?speed=-1', 'speed is max or a number'],
    ['simulator?pace=2', "unknown option 'pace'"],
    ['file:a?pace=2', "unknown option 'pace'"],
    ['serial:a?baud=fast', 'baud is a whole number'],
    ['serial:a?acknowledge=maybe', 'acknowledge is yes or no'],
  ])('%j is a usage error that says what is possible', (text, part) => {
    try {
      parseSource(text);
      expect.unreachable();
    } catch (error) {
      expect(error).toBeInstanceOf(EvenburnError);
      expect((error as EvenburnError).exitCode).toBe(2);
      expect((error as EvenburnError).message).toContain(part);
    }
  });
});
