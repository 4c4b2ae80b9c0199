// Recorded sessions that the scripted station has: the same made-up values, for any instant asked.
import type { InstantView, SessionDetail } from '../../server/contract/replay.ts';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import type { StatisticsView } from '../../server/contract/statistics.ts';
import type { VehicleView } from '../../server/contract/vehicle-view.ts';
import type { WhyView } from '../../server/contract/why.ts';
import type { WindowView } from '../../server/contract/window.ts';
import { valuesAt } from './engine-waves.ts';

const lengthUs = 600_000_000;
const frameUs = 20_000;
const startedWallMs = Date.UTC(2026, 4, 17, 9, 30);

const sessions: SessionView[] = [12, 11, 10].map((session) => ({
  session,
  vehicle: 'Garganey',
  startedWallMs: startedWallMs + session * 3_600_000,
  endedWallMs: startedWallMs + session * 3_600_000 + lengthUs / 1000,
  state: session === 11 ? 'killed' : 'closed',
  seconds: lengthUs / 1e6,
  frames: 498_211,
  bytes: 2_310_000,
  pinned: session === 12,
  name: session === 12 ? 'Evening two' : '',
  note: session === 12 ? 'first pull with the plenum set regrouped' : '',
  tags: session === 12 ? ['dyno'] : [],
  conditions: {},
  marks: [],
  origin: 'live',
  alarms: { advisory: 0, caution: session === 12 ? 1 : 0, warning: session === 12 ? 1 : 0 },
  lost: 0,
  pulls: { sweeps: session === 12 ? 1 : 0, holds: 0 },
  spark: {
    channel: 'engine_speed',
    bins: Array.from({ length: 60 }, (_, i): [number, number] | null => (i === 31 ? null : [900 + 80 * i, 1000 + 90 * i])),
  },
}));

export function answerOfSessions(
  vehicle: VehicleView,
  session: string | undefined,
  act: string | undefined,
  query: URLSearchParams,
  why: (channel: string) => WhyView,
): unknown {
  if (session === undefined) return listOf(query.get('search') ?? '');
  const at = Number(query.get('at') ?? 0);
  if (act === 'instant') return instantOf(vehicle, at);
  if (act === 'step')
    return { timeUs: query.get('to') === 'next' ? (Math.floor(at / frameUs) + 1) * frameUs : (Math.ceil(at / frameUs) - 1) * frameUs };
  if (act === 'window') return windowOf(vehicle, query);
  if (act === 'statistics') return statisticsOf(vehicle, query);
  if (act === 'why') return why('exhaust_spread');
  if (act !== undefined) return {};
  return detailOf(vehicle, Number(session));
}

function listOf(search: string): SessionsView {
  const found = sessions.filter(({ name, note }) => `${name} ${note}`.toLowerCase().includes(search.toLowerCase()));
  const keep = { bytes: 6_930_000, freeBytes: 80e9, warningBytes: 2e9, bytesMax: 50e9, daysMax: null };
  return { sessions: found, all: sessions.length, laidAside: [], keep };
}

function detailOf(vehicle: VehicleView, session: number): SessionDetail {
  return {
    session: sessions.find((candidate) => candidate.session === session) ?? (sessions[0] as SessionView),
    reading: 1,
    readings: [{ id: 1, madeWallMs: startedWallMs, program: '0.1.0', hash: 'b0b0', state: 'complete', note: '' }],
    fromUs: 0,
    toUs: lengthUs,
    vehicle: { ...vehicle, epoch: 0 },
    markers: [
      { timeUs: 42_000_000, kind: 'pull', text: 'pull 1, 1200 to 6700 rpm', untilUs: 50_000_000 },
      { timeUs: 88_000_000, kind: 'alarm', severity: 'caution', text: 'exhaust temperature 5 high' },
      { timeUs: 260_000_000, kind: 'note', text: 'plugs changed' },
      { timeUs: 410_000_000, kind: 'alarm', severity: 'warning', text: 'oil pressure low' },
    ],
  };
}

function instantOf(vehicle: VehicleView, timeUs: number): InstantView {
  const values = valuesAt(vehicle, timeUs / 1e6);
  return {
    timeUs,
    wallMs: startedWallMs + timeUs / 1000,
    values: vehicle.channels.map(({ name }) => values.get(name) ?? null),
    quality: vehicle.channels.map(({ name }) => (values.has(name) ? 0 : 3)),
    alarms: { sequence: 0, active: [] },
  };
}

/** Of one value every 100 ms. */
function statisticsOf(vehicle: VehicleView, query: URLSearchParams): StatisticsView {
  const [from, to] = [Number(query.get('from')), Number(query.get('to'))];
  const times = Array.from({ length: Math.max(0, Math.floor((to - from) / 100_000)) }, (_, i) => (from + i * 100_000) / 1e6);
  const channels = (query.get('channels') ?? '').split(',').map((channel) => {
    const samples = times.map((s) => ({ s, value: valuesAt(vehicle, s).get(channel) ?? 0 })).sort((a, b) => a.value - b.value);
    const of = (share: number) => samples[Math.floor(share * (samples.length - 1))];
    const at = (share: number) => of(share)?.value ?? null;
    const whenUs = (share: number) => Math.round((of(share)?.s ?? 0) * 1e6);
    const mean = samples.length === 0 ? null : samples.reduce((sum, { value }) => sum + value, 0) / samples.length;
    return {
      channel,
      unit: '',
      ok: samples.length,
      outOfRange: 0,
      bad: 0,
      low: at(0),
      high: at(1),
      mean,
      p5: at(0.05),
      p50: at(0.5),
      p95: at(0.95),
      lowAt: whenUs(0),
      highAt: whenUs(1),
      p5At: whenUs(0.05),
      p50At: whenUs(0.5),
      p95At: whenUs(0.95),
    };
  });
  return { channels };
}

function windowOf(vehicle: VehicleView, query: URLSearchParams): WindowView {
  const [from, to] = [Number(query.get('from')), Number(query.get('to'))];
  const widthUs = Number(query.get('width') ?? Math.max(frameUs, Math.ceil((to - from) / Number(query.get('pixels')) / frameUs) * frameUs));
  const first = Math.floor(from / widthUs);
  const count = Math.max(1, Math.ceil(to / widthUs) - first);
  const rows = Array.from({ length: count }, (_, i) => valuesAt(vehicle, ((first + i) * widthUs) / 1e6));
  const traces = (query.get('channels') ?? '').split(',').map((channel) => {
    const column = rows.map((row) => row.get(channel) ?? null);
    const index = vehicle.channels.findIndex((candidate) => candidate.name === channel);
    return { channel, index, unit: '', low: column, high: column, quality: column.map((value) => (value === null ? 3 : 0)) };
  });
  return { epoch: 0, timeUs: to, widthUs, first, count, traces };
}
