// What a report says, made by hand: any number of cylinders, and any words that people may have written.
import type { ReportData } from '../../server/report/report-data.ts';
import { makeVehicle } from './made-vehicle.ts';

export interface MadeReport extends Partial<ReportData> {
  cylinders?: number;
}

/** A session of 60 s with one pull; bins of 0.5 s that rise from 20 to 620 °C and lack a number from 10 to 15 s. */
export function makeReportData({ cylinders = 4, ...given }: MadeReport = {}): ReportData {
  const vehicle = makeVehicle({ cylinders, more: 'limits: { exhaust_temp: 700 degC }' });
  const all = Array.from({ length: cylinders }, (_, i) => i + 1);
  const bins = Array.from({ length: 120 }, (_, i) => i);
  const isGap = (i: number) => i >= 20 && i < 30;
  const rising = bins.map((i) => (isGap(i) ? null : 20 + i * 5));
  const pull = { kind: 'sweep', from: 20, to: 28, speedFrom: 2000, speedTo: 6500, complete: true } as const;
  return {
    session: 7,
    name: '',
    note: '',
    tags: [],
    conditions: {},
    vehicle,
    recordedHash: vehicle.hash,
    reading: { id: 1, program: '0.1.0', node: 'v20.20.0', madeWallMs: 0, note: '' },
    startedWallMs: Date.UTC(2026, 4, 17, 9, 30),
    seconds: 60,
    frames: 12_345,
    origin: 'live',
    state: 'closed',
    stamps: { main: 'kernel' },
    loss: { adapter: 0, 'before-reader': 0, queue: 0, late: 0 },
    events: [],
    remarks: [],
    startUs: 1_000_000,
    alarms: [],
    checks: [],
    runs: [],
    log: [],
    pulls: [pull],
    notJudged: [],
    peaks: all.map((cylinder) => ({
      cylinder,
      channel: `egt_${cylinder}`,
      unit: 'degC',
      probe: `T-${cylinder}`,
      peak: { value: 600 + cylinder, atS: 27.5 },
      margin: 100 - cylinder,
      outOfRange: 0,
      bad: 0,
    })),
    pullPeaks: [
      {
        pull,
        peaks: new Map(all.map((cylinder) => [cylinder, { value: 600 + cylinder, atS: 27.5 }])),
        spread: { value: cylinders - 1, atS: 27.5 },
      },
    ],
    plots: [
      {
        choice: { title: 'Exhaust temperature', unit: 'degC', channels: all.map((n) => `egt_${n}`), limits: [{ y: 700, label: 'limit' }] },
        fromS: 0,
        widthS: 0.5,
        seconds: 60,
        traces: all.map((n) => ({ channel: `egt_${n}`, low: rising, high: rising, quality: bins.map((i) => (isGap(i) ? 2 : 0)) })),
      },
    ],
    ...given,
  };
}
