// A scripted stand-in for the server behind the pages: the real gateway and rolling store, fed by made-up values, and every alarm, silence or
// fault on demand. For looking at states that a healthy station never shows.
import { readFile } from 'node:fs/promises';
import { createServer, type Server as HttpServer, type IncomingMessage, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';
import { extname, join, normalize } from 'node:path';
import { quality, qualityNames } from '../../server/channels/quality.ts';
import type { AlarmEvent, AlarmState } from '../../server/contract/alarms.ts';
import type { StationStatus } from '../../server/contract/status.ts';
import type { ChannelView, CylinderView, VehicleView } from '../../server/contract/vehicle-view.ts';
import type { WhyNode, WhyView } from '../../server/contract/why.ts';
import type { WindowView } from '../../server/contract/window.ts';
import { LiveGateway } from '../../server/live/gateway.ts';
import { binWidthUs, RollingStore } from '../../server/live/rolling-store.ts';
import { valuesAt } from './engine-waves.ts';
import { framesOfDouble } from './frames-of-double.ts';
import { answerOfSessions } from './sessions-of-double.ts';

export interface DoubleOptions {
  banks: { name: string; cylinders: number[] }[];
  /** Injector set → group name → cylinders; a set without groups fires in sequence. */
  sets: Record<string, Record<string, number[]>>;
  /** Cylinders without a probe. */
  unprobed?: number[];
  port?: number;
  name?: string;
  /** Folder of the built pages. */
  pages?: string;
}

export const straightSix: DoubleOptions = {
  banks: [{ name: 'main', cylinders: [1, 2, 3, 4, 5, 6] }],
  sets: { port: {}, plenum: { A: [1, 2, 3], B: [4, 5, 6] } },
  name: 'Garganey',
};

const builtPages = new URL('../../dist/web/', import.meta.url).pathname;
const stepUs = 20_000;
const historyS = 90;

export class StationDouble {
  readonly view: VehicleView;
  readonly store: RollingStore;
  readonly url: string;
  private readonly pages: string;
  private readonly http: HttpServer;
  private readonly gateway: LiveGateway;
  private readonly channelIndex: Map<string, number>;
  private readonly overrides = new Map<string, { value: number; quality: number }>();
  private active: AlarmState[] = [];
  private readonly events: AlarmEvent[] = [];
  private alarmVersion = 1;
  private readonly status: StationStatus;
  private readonly timer: NodeJS.Timeout;
  private driving = true;
  private readonly beganMs = performance.now() - historyS * 1000;
  private timeUs = 0;

  private constructor(view: VehicleView, http: HttpServer, pages: string) {
    this.view = view;
    this.pages = pages;
    this.http = http;
    this.store = new RollingStore(view.channels.length);
    this.channelIndex = new Map(view.channels.map((channel) => [channel.name, channel.index]));
    this.status = healthy(view);
    const { store, view: shown } = this;
    const self = this;
    this.gateway = new LiveGateway(
      http,
      {
        store,
        epoch: shown.epoch,
        wallMs: () => Date.now(),
        monotonicMs: () => performance.now(),
        get alarmVersion() {
          return self.alarmVersion;
        },
        get alarmSequence() {
          return self.events.length;
        },
        alarms: () => ({ sequence: this.events.length, active: this.active }),
        status: () => this.status,
      },
      { allow: () => true },
    );
    http.on('request', (request, response) => void this.answer(request, response));
    this.url = `http://127.0.0.1:${(http.address() as AddressInfo).port}`;
    this.drive();
    this.timer = setInterval(() => this.driving && this.drive(), 20);
  }

  static async start(options: DoubleOptions): Promise<StationDouble> {
    const http = createServer();
    await new Promise<void>((done) => http.listen(options.port ?? 0, '127.0.0.1', done));
    return new StationDouble(toView(options), http, options.pages ?? builtPages);
  }

  /** Holds a channel at a value or a quality from now on; undefined lets it go. */
  hold(channel: string, held: { value?: number; quality?: (typeof qualityNames)[number] } | undefined): void {
    if (held) this.overrides.set(channel, { value: held.value ?? 0, quality: qualityNames.indexOf(held.quality ?? 'ok') });
    else this.overrides.delete(channel);
  }

  raise(alarm: Partial<AlarmState> & { name: string; severity: AlarmState['severity'] }): void {
    const sequence = this.events.length + 1;
    const state: AlarmState = {
      state: 'raised',
      acknowledged: false,
      firstOut: this.active.length === 0,
      unknown: false,
      sinceUs: this.timeUs,
      sinceWallMs: Date.now(),
      channel: null,
      value: null,
      quality: 'ok',
      unit: '',
      advice: '',
      sequence,
      ...alarm,
    };
    this.active = [...this.active, state];
    this.tell(state, 'raised');
  }

  clear(name: string): void {
    const state = this.active.find((alarm) => alarm.name === name);
    this.active = this.active.filter((alarm) => alarm.name !== name);
    if (state) this.tell(state, 'cleared');
  }

  /** Stops all values (packets go on: silence is sent too). */
  setDriving(driving: boolean): void {
    this.driving = driving;
  }

  setStatus(change: (status: StationStatus) => void): void {
    change(this.status);
    this.gateway.statusChanged();
  }

  async close(): Promise<void> {
    clearInterval(this.timer);
    await this.gateway.close();
    this.http.closeAllConnections();
    await new Promise((done) => this.http.close(done));
  }

  private tell(state: AlarmState, event: AlarmEvent['event'], by?: string): void {
    this.events.push({
      sequence: this.events.length + 1,
      timeUs: this.timeUs,
      wallMs: Date.now(),
      alarm: state.name,
      severity: state.severity,
      event,
      firstOut: state.firstOut,
      channel: state.channel,
      value: state.value,
      quality: state.quality,
      unit: state.unit,
      ...(by ? { by } : {}),
    });
    this.alarmVersion++;
    this.gateway.alarmChanged();
  }

  private drive(): void {
    const nowUs = Math.floor((performance.now() - this.beganMs) * 1000);
    while (this.timeUs + stepUs <= nowUs) {
      this.timeUs += stepUs;
      const values = valuesAt(this.view, this.timeUs / 1e6);
      for (const [name, index] of this.channelIndex) {
        const held = this.overrides.get(name);
        const value = held ? held.value : values.get(name);
        const code = held ? held.quality : value === undefined ? quality.missing : quality.ok;
        this.store.add(index, this.timeUs, code <= 1 ? (value ?? 0) : 0, code);
      }
    }
    this.store.advance(nowUs);
  }

  private async answer(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const url = new URL(request.url ?? '/', this.url);
    if (url.pathname.startsWith('/live')) return;
    const json = this.answerOf(url, request.method ?? 'GET');
    if (json !== undefined) {
      response.writeHead(200, { 'content-type': 'application/json' }).end(JSON.stringify(json));
      return;
    }
    await sendFile(this.pages, url.pathname, response);
  }

  private answerOf(url: URL, method: string): unknown {
    const [, api, topic, name, act] = url.pathname.split('/').map(decodeURIComponent);
    if (api !== 'api') return undefined;
    if (topic === 'vehicle') return this.view;
    if (topic === 'sessions') return answerOfSessions(this.view, name, act, url.searchParams, (channel) => this.why(channel));
    if (topic === 'frames') return framesOfDouble(this.view.epoch, this.store.timeUs);
    if (topic === 'window') return this.window(url.searchParams);
    if (topic === 'why' && name) return this.why(name);
    if (topic === 'checks' && name === 'running') return null;
    if (topic === 'alarms' && act === 'acknowledge' && method === 'POST') return this.acknowledge(name ?? '');
    if (topic === 'alarms') {
      const after = Number(url.searchParams.get('after') ?? 0);
      return { sequence: this.events.length, active: this.active, events: this.events.slice(after), oldest: 1 };
    }
    return undefined;
  }

  private acknowledge(name: string): object {
    this.active = this.active.map((alarm) => (alarm.name === name ? { ...alarm, acknowledged: true, acknowledgedBy: 'crew' } : alarm));
    const state = this.active.find((alarm) => alarm.name === name);
    if (state) this.tell(state, 'acknowledged', 'crew');
    return { sequence: this.events.length, active: this.active };
  }

  private window(query: URLSearchParams): WindowView {
    const [from, to] = [Number(query.get('from')), Number(query.get('to'))];
    const widthUs = Number(query.get('width') ?? binWidthUs(to - from, Number(query.get('pixels'))));
    const first = Math.floor(from / widthUs);
    const count = Math.ceil(to / widthUs) - first;
    const channels = (query.get('channels') ?? '').split(',').map((name) => this.view.channels[this.channelIndex.get(name) ?? 0]);
    const traces = channels.map((channel) => {
      const trace = this.store.bins(channel?.index ?? 0, widthUs, first, count);
      const numbers = (list: Float64Array) => Array.from(list, (value) => (Number.isFinite(value) ? value : null));
      return {
        channel: channel?.name ?? '',
        index: trace.channel,
        unit: channel?.unit ?? '',
        low: numbers(trace.low),
        high: numbers(trace.high),
        quality: Array.from(trace.quality),
      };
    });
    return { epoch: this.view.epoch, timeUs: this.store.timeUs, widthUs, first, count, traces };
  }

  /** One derived node over two signals of a made-up frame: enough to draw every part of the chain. */
  private why(name: string): WhyView {
    const channel = this.view.channels[this.channelIndex.get(name) ?? -1];
    const nodes: WhyNode[] = [];
    const add = (view: ChannelView | undefined) => {
      if (!view || nodes.some((node) => node.channel === view.name)) return;
      nodes.push(this.whyNode(view));
      for (const input of view.inputs) add(this.view.channels[this.channelIndex.get(input) ?? -1]);
    };
    add(channel);
    return { epoch: this.view.epoch, timeUs: this.store.timeUs, wallMs: Date.now(), nodes };
  }

  private whyNode(view: ChannelView): WhyNode {
    const code = this.store.quality[view.index] as number;
    const value = code <= 1 ? (this.store.value[view.index] as number) : null;
    const node: WhyNode = {
      channel: view.name,
      kind: view.kind,
      value,
      quality: qualityNames[code] ?? 'missing',
      unit: view.unit,
      sampleTimeUs: this.store.sampleTimeUs[view.index] as number,
      because: code === 0 ? '' : 'The box reports that the probe is open (raw 0xFFFF).',
      inputs: view.inputs,
      ...(view.formula === undefined ? {} : { formula: view.formula }),
    };
    if (view.kind !== 'signal') return node;
    const raw = value === null ? 0xffff : Math.round((value + 50) / 0.1);
    node.signal = {
      bus: 'engine',
      device: 'thermocouple-box',
      deviceTitle: 'Six-input thermocouple amplifier',
      frame: 'exhaust_1_to_4',
      id: '0x4C0',
      extended: false,
      frameTimeUs: this.store.timeUs - 12_000,
      periodUs: 50_000,
      lengthBytes: 8,
      bytes: `${raw.toString(16).padStart(4, '0')}1E8A1E021D77`.toUpperCase(),
      startBit: 7,
      bitLength: 16,
      byteOrder: 'big',
      sign: 'unsigned',
      bits: [7, 6, 5, 4, 3, 2, 1, 0, 15, 14, 13, 12, 11, 10, 9, 8],
      raw: String(raw),
      rawHex: `0x${raw.toString(16).toUpperCase()}`,
      factor: 0.1,
      offset: -50,
      arithmetic: `${raw} × 0.1 − 50 = ${value === null ? 'no value' : `${(raw * 0.1 - 50).toFixed(1)} ${view.unit}`}`,
      definedAt: 'devices/thermocouple-box.yaml:14',
    };
    node.wires = [{ connector: 'bulkhead, engine side', pin: '7', wire: 'type K, 20 AWG', to: 'probe in port 1' }];
    return node;
  }
}

const types: Record<string, string> = {
  '.html': 'text/html',
  '.js': 'text/javascript',
  '.css': 'text/css',
  '.svg': 'image/svg+xml',
  '.woff2': 'font/woff2',
  '.webmanifest': 'application/manifest+json',
};

async function sendFile(root: string, pathname: string, response: ServerResponse): Promise<void> {
  const path = normalize(pathname === '/' ? '/index.html' : pathname);
  try {
    const body = await readFile(join(root, path));
    const policy = "default-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self' ws:; img-src 'self' data:";
    response
      .writeHead(200, { 'content-type': types[extname(path)] ?? 'application/octet-stream', 'content-security-policy': policy })
      .end(body);
  } catch {
    response.writeHead(404, { 'content-type': 'application/json' }).end('{"error":"DOUBLE","message":"not here","cure":"none"}');
  }
}

function healthy(view: VehicleView): StationStatus {
  return {
    mode: 'live',
    buses: view.buses.map(({ name }) => ({
      bus: name,
      source: 'simulator',
      stampQuality: 'simulated',
      state: 'up',
      detail: '',
      frames: 123456,
      framesPerSecond: 812,
      loadPercent: 21,
      errors: 0,
      unknownFrames: 0,
      shortFrames: 0,
      notes: [],
      loss: { adapter: 0, beforeReader: 0, queue: 0, late: 0 },
    })),
    recording: { state: 'recording', session: 12, startedWallMs: Date.now(), detail: '' },
    definitionProblems: 0,
    clients: 1,
  };
}

function toView({ banks, sets, unprobed = [], name = 'Double' }: DoubleOptions): VehicleView {
  const channels: ChannelView[] = [];
  const add = (channel: Partial<ChannelView> & { name: string; unit: string }) => {
    channels.push({ index: channels.length, kind: 'signal', inputs: [], ...channel });
    return channel.name;
  };
  const roles = {
    speed: add({ name: 'engine_speed', unit: 'rpm' }),
    throttle: add({ name: 'throttle', unit: '%' }),
    manifoldPressure: add({ name: 'manifold_pressure', unit: 'kPa' }),
    oilPressure: add({ name: 'oil_pressure', unit: 'kPa' }),
    oilTemp: add({ name: 'oil_temp', unit: 'degC' }),
    coolantTemp: add({ name: 'coolant_temp', unit: 'degC' }),
    battery: add({ name: 'battery_voltage', unit: 'V' }),
  };
  const probed = banks.flatMap((bank) => bank.cylinders).filter((cylinder) => !unprobed.includes(cylinder));
  for (const n of probed) add({ name: `exhaust_temp_${n}`, unit: 'degC', limit: 780 });
  const temps = probed.map((n) => `exhaust_temp_${n}`);
  const derived = { kind: 'built-in', inputs: temps } as const;
  add({ name: 'exhaust_spread', unit: 'K', ...derived, formula: `spread(${temps.join(', ')})`, limit: 80 });
  for (const n of probed) add({ name: `exhaust_deviation_${n}`, unit: 'K', ...derived, formula: `exhaust_temp_${n} - median(the others)` });
  for (const n of probed) add({ name: `exhaust_rate_${n}`, unit: 'K/s', kind: 'built-in', inputs: [`exhaust_temp_${n}`] });
  for (const n of probed) add({ name: `exhaust_time_to_limit_${n}`, unit: 's', kind: 'built-in', inputs: [`exhaust_temp_${n}`] });
  for (const set of Object.keys(sets)) {
    add({ name: `${set}_pulse`, unit: 'ms' });
    add({ name: `fuel_delta_${set}`, unit: 'kPa', kind: 'built-in' });
    add({ name: `duty_${set}`, unit: '%', kind: 'built-in', inputs: [`${set}_pulse`, 'engine_speed'], limit: 85 });
  }
  const bankSpread =
    banks.length > 1 ? Object.fromEntries(banks.map((bank) => [bank.name, add({ name: `exhaust_spread_${bank.name}`, unit: 'K' })])) : {};
  const cylinders = banks.flatMap((bank) =>
    bank.cylinders.map((cylinder, position): CylinderView => {
      const groups = Object.entries(sets).flatMap(([set, plan]) =>
        Object.entries(plan).flatMap(([group, members]) => (members.includes(cylinder) ? [[set, group]] : [])),
      );
      const base = { cylinder, bank: bank.name, position, groups: Object.fromEntries(groups), injectors: {} };
      if (unprobed.includes(cylinder)) return base;
      return {
        ...base,
        exhaustTemp: `exhaust_temp_${cylinder}`,
        deviation: `exhaust_deviation_${cylinder}`,
        rate: `exhaust_rate_${cylinder}`,
        timeToLimit: `exhaust_time_to_limit_${cylinder}`,
      };
    }),
  );
  return {
    epoch: 7,
    hash: 'double',
    name,
    fuel: 'methanol',
    engine: {
      cycle: 'four-stroke',
      banks,
      firingOrder: cylinders.map((cylinder) => cylinder.cylinder),
      cylinders,
      roles,
      lambda: {},
      spread: 'exhaust_spread',
      bankSpread,
      runningAboveRpm: 400,
      crankingAboveRpm: 50,
    },
    injectorSets: Object.entries(sets).map(([set, plan]) => ({
      name: set,
      cylinders: cylinders.map((cylinder) => cylinder.cylinder),
      injectionsPerCycle: 1,
      pulse: `${set}_pulse`,
      duty: `duty_${set}`,
      fuelDelta: `fuel_delta_${set}`,
      targetKpa: 300,
      plans:
        Object.keys(plan).length > 0
          ? [{ name: 'as-built', groups: Object.entries(plan).map(([g, c]) => ({ name: g, cylinders: c })) }]
          : [],
      ...(Object.keys(plan).length > 0 ? { plan: 'as-built' } : {}),
    })),
    channels,
    buses: [{ name: 'engine', index: 0, bitRate: 500_000, devices: [] }],
    alarms: [],
    limits: { exhaustTempC: 780, exhaustSpreadK: 80, dutyPercent: 85 },
    problems: [],
  };
}
