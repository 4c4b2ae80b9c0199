// One running station without pages: sources to live state, alarms before the record, silence, definitions that change.
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { frameFlag } from '../../server/bus/frame-batch.ts';
import { type Clock, SessionClock } from '../../server/clock.ts';
import type { RecordingStatus } from '../../server/contract/status.ts';
import { EvenburnError } from '../../server/errors.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { type InputRecorder, Station } from '../../server/station.ts';
import { ScriptedSource } from '../doubles/scripted-source.ts';
import { smallVehicle, smallVehicleText } from '../doubles/small-vehicle.ts';
import { until } from '../waiting.ts';

/** Notes what happens in which order. */
class OrderRecorder implements InputRecorder {
  readonly inputs: PipelineInput[] = [];
  readonly log: string[];
  stopped = false;
  current: RecordingStatus = { state: 'recording', session: 4, startedWallMs: 0, detail: '' };

  constructor(log: string[]) {
    this.log = log;
  }

  take(input: PipelineInput): void {
    // A batch is lent: what is kept is copied.
    this.inputs.push(input.kind === 'frames' ? { kind: 'frames', batch: structuredClone(input.batch) } : input);
    this.log.push(`recorded ${input.kind}`);
  }

  status(): RecordingStatus {
    return this.current;
  }

  async stop(): Promise<void> {
    this.stopped = true;
  }

  marks(): number[] {
    return this.inputs.flatMap((input) => (input.kind === 'mark' ? [input.timeUs] : []));
  }
}

let nowUs: number;
let wallMs: number;
let source: ScriptedSource;
let recorder: OrderRecorder;
let station: Station;
let log: string[];

const clock: Clock = { monotonicUs: () => nowUs, wallMs: () => wallMs };

beforeEach(() => {
  nowUs = 1_000_000;
  wallMs = 1_800_000_000_000;
  log = [];
  source = new ScriptedSource(0);
  recorder = new OrderRecorder(log);
  station = new Station({ vehicle: smallVehicle(), sources: [source], session: new SessionClock(clock, nowUs), clock, recorder });
  station.start({
    alarmChanged: () => log.push('alarm shown'),
    statusChanged: () => undefined,
    definitionsChanged: () => log.push('definitions shown'),
  });
});

afterEach(() => station.stop());

/** `fast` with this speed and oil pressure (raw = (kPa + 10) / 0.1). */
function fast(timeUs: number, rpm: number, kpa: number): void {
  const raw = Math.round((kpa + 10) / 0.1);
  source.give(timeUs, 0x100, [rpm >> 8, rpm & 255, raw >> 8, raw & 255]);
}

const channel = (name: string) => station.vehicleView().channels.find((one) => one.name === name)?.index ?? -1;
const newest = (name: string) => station.store.value[channel(name)];
const qualityOf = (name: string) => station.store.quality[channel(name)];

describe('the station', () => {
  it('leads a frame to values, derived channels, bins and the table of ids', async () => {
    fast(5_000, 1000, 250);
    fast(25_000, 1010, 260);
    await until(() => newest('oil_twice') === 500, 'the derived value of the first instant');
    source.pass(40_000);
    await until(() => newest('oil_twice') === 520, 'the derived value');
    expect([newest('engine_speed'), newest('oil_pressure')]).toEqual([1010, 260]);
    const window = station.window({ channels: 'engine_speed', from: 0, to: 39_999, width: 10_000 });
    expect(window.traces[0]).toMatchObject({ low: [1000, null, 1010, null], high: [1000, null, 1010, null], quality: [0, 5, 0, 5] });
    expect(station.frames().frames).toMatchObject([
      {
        bus: 'engine',
        idHex: '0x100',
        frame: 'fast',
        device: 'controller',
        count: 2,
        periodMs: 20,
        bytes: '03F20A8C',
        unclaimedBits: '00000000',
      },
    ]);
  });

  it('explains a derived value down to the bytes, all as of one instant', async () => {
    fast(5_000, 1000, 250);
    source.pass(10_000);
    await until(() => newest('oil_twice') === 500, 'the derived value');
    // A younger frame, behind the last instant: the explanation keeps to the instant.
    fast(12_000, 1000, 100);
    await until(() => newest('oil_pressure') === 100, 'the younger frame');
    const why = station.why('oil_twice');
    expect(why).toMatchObject({ timeUs: 10_000, wallMs: 1_800_000_000_010 });
    expect(why.nodes).toMatchObject([
      { channel: 'oil_twice', kind: 'derived', value: 500, formula: 'oil_pressure * 2', inputs: ['oil_pressure'], sampleTimeUs: 10_000 },
      {
        channel: 'oil_pressure',
        value: 250,
        sampleTimeUs: 5_000,
        signal: {
          id: '0x100',
          frameTimeUs: 5_000,
          bytes: '03E80A28',
          raw: '2600',
          rawHex: '0xA28',
          arithmetic: '2600 × 0.1 − 10 = 250 kPa',
        },
      },
    ]);
    expect(why.nodes[1]?.signal?.bits).toEqual([23, 22, 21, 20, 19, 18, 17, 16, 31, 30, 29, 28, 27, 26, 25, 24]);
  });

  it('works a number in the digits that mean something, and a raw integer in all of its own', async () => {
    // In doubles 2601 × 0.1 − 10 is 250.10000000000002: no device said that.
    source.give(5_000, 0x100, [0x03, 0xe8, 0x0a, 0x29]);
    source.pass(10_000);
    await until(() => newest('oil_pressure') !== 0, 'the value');
    expect(station.why('oil_pressure').nodes[0]?.signal).toMatchObject({ raw: '2601', arithmetic: '2601 × 0.1 − 10 = 250.1 kPa' });
  });

  it('finds the bytes of each page of a multiplexed frame, however long ago it came', async () => {
    source.give(1_000, 0x101, [0, 0xf6]);
    for (let i = 0; i < 40; i++) source.give(2_000 + i * 1000, 0x101, [1, 1]);
    source.pass(50_000);
    await until(() => newest('box_state') === 1, 'the pages');
    expect(station.why('box_temp').nodes[0]?.signal).toMatchObject({ bytes: '00F6', raw: '-10', rawHex: '0xF6', when: 'page is 0' });
    expect(station.why('box_state').nodes[0]?.signal).toMatchObject({ bytes: '0101', stateName: 'on', when: 'page is 1..2' });
  });

  it('says why a value is no number', async () => {
    expect(station.why('oil_pressure').nodes[0]).toMatchObject({ value: null, quality: 'missing', because: 'Its frame has not come yet.' });
    source.give(5_000, 0x100, [0, 0, 0xff, 0xff]);
    source.pass(20_000);
    await until(() => qualityOf('oil_pressure') === 2, 'the fault');
    expect(station.why('oil_twice').nodes.map(({ because }) => because)).toEqual([
      'oil_pressure is fault.',
      'The device says fault: raw 65535.',
    ]);
  });

  it('lets values grow stale when nothing comes, and time go on with the clock', async () => {
    fast(5_000, 1000, 250);
    await until(() => newest('engine_speed') === 1000, 'the frame');
    nowUs += 500_000;
    await until(() => qualityOf('engine_speed') === 4 && qualityOf('oil_twice') === 4, 'stale values');
    expect(station.store.timeUs).toBeGreaterThanOrEqual(470_000);
    expect(station.why('engine_speed').nodes[0]).toMatchObject({
      value: null,
      quality: 'stale',
      // What its frame said then; the value itself is gone.
      signal: { arithmetic: '1000 = 1000 rpm when it came' },
    });
  });

  it('lets the values of a file grow stale that was read faster than it was recorded', async () => {
    fast(3_600_000_000, 1000, 250);
    source.listener?.end();
    await until(() => newest('engine_speed') === 1000, 'the frame');
    nowUs += 600_000;
    await until(() => qualityOf('engine_speed') === 4, 'a stale value');
    expect(station.status().buses[0]).toMatchObject({ state: 'ended', frames: 1 });
  });

  it('shows an alarm before the frame that raised it goes to the record', async () => {
    fast(5_000, 1000, 250);
    source.pass(20_000);
    await until(() => newest('oil_twice') === 500, 'a good value');
    log.length = 0;
    fast(21_000, 1000, 20);
    fast(41_000, 1000, 20);
    await until(() => log.includes('alarm shown'), 'the alarm');
    expect(log.indexOf('alarm shown')).toBeLessThan(log.indexOf('recorded frames'));
    expect(station.alarms()).toMatchObject({
      sequence: 1,
      active: [{ name: 'oil low', severity: 'warning', state: 'raised', sinceUs: 30_000 }],
    });
  });

  it('shows that an alarm which stands can no longer be judged, and never takes it away', async () => {
    fast(5_000, 1000, 20);
    source.pass(20_000);
    await until(() => station.alarms().active.length === 1, 'the alarm');
    const { alarmVersion } = station;
    log.length = 0;
    nowUs += 500_000;
    await until(() => station.alarms().active[0]?.unknown === true, 'an alarm that is unknown');
    expect(station.alarms()).toMatchObject({ sequence: 1, active: [{ name: 'oil low', state: 'raised' }] });
    expect(station.alarmVersion).toBeGreaterThan(alarmVersion);
    expect(log).toContain('alarm shown');
  });

  it('acknowledges an alarm that stands, refuses others, and takes it into the record', async () => {
    fast(5_000, 1000, 20);
    source.pass(20_000);
    await until(() => station.alarms().active.length === 1, 'the alarm');
    await station.acknowledge('oil low', 'Kim');
    expect(station.alarms().active).toMatchObject([{ name: 'oil low', acknowledged: true, acknowledgedBy: 'Kim' }]);
    await station.acknowledge('oil low', 'Sam');
    expect(station.alarms().active).toMatchObject([{ acknowledgedBy: 'Kim' }]);
    expect(recorder.inputs.filter(({ kind }) => kind === 'acknowledge')).toMatchObject([{ alarm: 'oil low', by: 'Kim' }]);
    const refused = station.acknowledge('oil high', 'Kim');
    await expect(refused).rejects.toThrow(EvenburnError);
    await expect(refused).rejects.toMatchObject({ code: 'ALARM_NOT_STANDING' });
  });

  it('puts saved definitions in force under a new epoch, and keeps values whose definition is the same', async () => {
    fast(5_000, 1000, 250);
    source.pass(20_000);
    await until(() => newest('oil_twice') === 500, 'the derived value');
    station.define(smallVehicle(smallVehicleText.replace('oil_pressure * 2', 'oil_pressure * 3').replaceAll('oil_twice', 'oil_thrice')));
    source.pass(40_000);
    await until(() => station.epoch === 2, 'the new epoch');
    expect(log).toContain('definitions shown');
    expect(newest('engine_speed')).toBe(1000);
    fast(41_000, 1000, 250);
    source.pass(60_000);
    await until(() => newest('oil_thrice') === 750, 'the new channel');
    await until(() => station.frames().frames[0]?.count === 2, 'both frames of the id');
    expect(station.frames().frames[0]).toMatchObject({ frame: 'fast' });
    expect(() => station.why('oil_twice')).toThrow(/oil_twice/);
  });

  it('keeps the last good definitions while the files are broken, and when their buses are others', () => {
    const problem = {
      file: 'vehicle.yaml',
      line: 3,
      column: 1,
      endColumn: 4,
      code: 'KEY_UNKNOWN',
      severity: 'error' as const,
      found: 'buss',
      say: 'unknown key',
      fix: 'buses',
    };
    station.showProblems([problem]);
    expect(station.vehicleView()).toMatchObject({ epoch: 1, problems: [problem] });
    expect(station.status().definitionProblems).toBe(1);
    station.define(smallVehicle(smallVehicleText.replace('  engine:', '  motor:')));
    const problems = [{ code: 'BUSES_CHANGED', severity: 'error', file: 'vehicle.yaml', line: 3 }];
    expect(station.vehicleView()).toMatchObject({ epoch: 1, buses: [{ name: 'engine' }], problems });
    expect(station.status().definitionProblems).toBe(1);
    station.define(smallVehicle());
    expect(station.vehicleView().problems).toEqual([]);
  });

  it('takes another bit rate into force and says that the source stays as it was opened', async () => {
    station.define(smallVehicle(smallVehicleText.replace('500 kbit/s', '250 kbit/s')));
    source.pass(20_000);
    await until(() => station.epoch === 2, 'the new epoch');
    expect(station.vehicleView()).toMatchObject({
      buses: [{ bitRate: 250_000 }],
      problems: [{ code: 'BUSES_CHANGED', severity: 'warning' }],
    });
    expect(station.status().definitionProblems).toBe(0);
  });

  it('counts what was lost where, what came late, unknown and short frames, and error frames', async () => {
    source.listener?.loss('before-reader', 3);
    source.listener?.loss('adapter', 2);
    fast(50_000, 1000, 250);
    source.give(51_000, 0x7ff, [1]);
    source.give(52_000, 0x100, [1, 2]);
    source.give(53_000, 0x004, [0, 1, 0, 0, 0, 0, 0, 0], frameFlag.error);
    await until(() => station.status().buses[0]?.frames === 4, 'the frames');
    fast(10_000, 1000, 250);
    await until(() => station.status().buses[0]?.frames === 5, 'the late frame');
    expect(station.status().buses[0]).toMatchObject({
      bus: 'engine',
      source: 'scripted',
      state: 'up',
      errors: 1,
      unknownFrames: 1,
      shortFrames: 1,
      loss: { adapter: 2, beforeReader: 3, queue: 0, late: 1 },
    });
    expect(station.frames().errors).toMatchObject([{ bus: 'engine', kind: 'controller problem', count: 1 }]);
    expect(recorder.inputs.filter(({ kind }) => kind === 'loss')).toHaveLength(3);
  });

  it('shows a source that failed with its cure, and one that is down', () => {
    source.listener?.state('down', 'can0 is down');
    expect(station.status().buses[0]).toMatchObject({ state: 'down', detail: 'can0 is down' });
    source.listener?.failed(new EvenburnError('INTERFACE_MISSING', { interface: 'can0', command: 'sudo ip link ...' }));
    expect(station.status().buses[0]).toMatchObject({ state: 'failed', detail: expect.stringContaining('sudo ip link ...') });
  });

  it('raises trouble with the disk as an alarm, and clears it', () => {
    station.recordingChanged({ state: 'stopped', session: null, startedWallMs: null, detail: 'The disk is full.' });
    expect(station.alarms().active).toMatchObject([{ name: 'recording has stopped', severity: 'warning', advice: 'The disk is full.' }]);
    station.recordingChanged({ state: 'recording', session: 5, startedWallMs: 0, detail: '' });
    expect(station.alarms().active).toEqual([]);
    expect(station.alarmHistory(0).events.map(({ event }) => event)).toEqual(['raised', 'cleared']);
  });

  it('warns long before the disk is full', () => {
    station.spaceChanged(500e9);
    expect(station.alarms().active).toEqual([]);
    station.spaceChanged(1.2e9);
    expect(station.alarms().active).toMatchObject([{ severity: 'advisory', advice: expect.stringContaining('1.2 GB') }]);
    station.spaceChanged(500e9);
    expect(station.alarms().active).toEqual([]);
  });

  it('marks only instants that no frame has told of, each once', async () => {
    fast(5_000, 1000, 250);
    source.pass(9_000);
    source.pass(12_000);
    await until(() => recorder.marks().includes(10_000), 'a mark');
    source.pass(13_000);
    fast(25_000, 1000, 250);
    source.pass(26_000);
    source.pass(31_000);
    await until(() => recorder.marks().includes(30_000), 'another mark');
    expect(recorder.marks()).toEqual([...new Set(recorder.marks())]);
    expect(recorder.marks().every((timeUs) => timeUs % 10_000 === 0)).toBe(true);
  });

  it('records a new pair of clocks when somebody sets the wall clock', async () => {
    wallMs += 3_600_000;
    await until(() => recorder.inputs.filter(({ kind }) => kind === 'clock').length === 2, 'a second pair');
    expect(recorder.inputs.filter(({ kind }) => kind === 'clock')).toMatchObject([
      { wallMs: 1_800_000_000_000 },
      { wallMs: 1_800_003_600_000 },
    ]);
  });

  it('takes what has come before it stops, and closes the record last', async () => {
    fast(5_000, 1000, 250);
    await station.stop();
    expect(source.stopped).toBe(true);
    expect(recorder.inputs.filter(({ kind }) => kind === 'frames')).toHaveLength(1);
    expect(recorder.stopped).toBe(true);
  });
});
