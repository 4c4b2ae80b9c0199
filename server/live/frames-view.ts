// The table of seen ids in the form that pages get, with what is decoded from which bits and which bits nobody has claimed.
import { errorClassNames } from '../bus/error-frame.ts';
import { frameFlag } from '../bus/frame-batch.ts';
import { hasValue, qualityNames } from '../channels/quality.ts';
import { extractRaw, findState } from '../codec/bits.ts';
import { pgnOf } from '../codec/decoder.ts';
import type { FramesView, SeenFrame } from '../contract/frames.ts';
import type { Frame, Signal, Vehicle } from '../definitions/vehicle.ts';
import type { RollingStore } from './rolling-store.ts';
import type { SeenError, SeenFrames, SeenId } from './seen-frames.ts';
import { toBitNumbers, toHex, toIdHex } from './why.ts';

export function toFramesView(vehicle: Vehicle, store: RollingStore, seen: SeenFrames, epoch: number): FramesView {
  return {
    epoch,
    timeUs: store.timeUs,
    frames: seen.list().map((one) => toSeenFrame(vehicle, store, one)),
    errors: seen.errors().map((error) => toErrorRow(vehicle, error)),
    notListed: seen.notListed,
  };
}

function toSeenFrame(vehicle: Vehicle, store: RollingStore, seen: SeenId): SeenFrame {
  const { frame } = seen;
  const extended = (seen.flags & frameFlag.extended) !== 0;
  const period = seen.period();
  const bytes = seen.bytes;
  const view: SeenFrame = {
    bus: vehicle.buses[seen.bus]?.name ?? String(seen.bus),
    id: seen.id,
    idHex: toIdHex(seen.id, extended),
    extended,
    remote: (seen.flags & frameFlag.remote) !== 0,
    fd: (seen.flags & frameFlag.fd) !== 0,
    frame: frame?.name ?? (seen.isPacket ? 'J1939 packets' : null),
    device: frame?.device ?? null,
    count: seen.count,
    periodMs: period ? period.meanUs / 1000 : null,
    periodMinMs: period ? period.leastUs / 1000 : null,
    periodMaxMs: period ? period.greatestUs / 1000 : null,
    definedPeriodMs: frame?.periodUs === undefined ? null : frame.periodUs / 1000,
    lastTimeUs: seen.lastTimeUs,
    length: seen.length,
    definedLength: frame?.lengthBytes ?? null,
    shortCount: seen.shortCount,
    longCount: seen.longCount,
    bytes: toHex(bytes),
    changedBits: toHex(seen.changed.subarray(0, bytes.length)),
    unclaimedBits: toHex(seen.isPacket ? new Uint8Array(bytes.length) : unclaimedOf(frame, bytes.length)),
    signals: (frame?.signals ?? []).map((signal) => toSeenSignal(store, signal, bytes)),
  };
  if (extended) Object.assign(view, { pgn: pgnOf(seen.id), sourceAddress: seen.id & 0xff });
  return view;
}

function unclaimedOf(frame: Frame | undefined, lengthBytes: number): Uint8Array {
  const unclaimed = new Uint8Array(lengthBytes).fill(0xff);
  for (const signal of frame?.signals ?? []) {
    for (const bit of toBitNumbers(signal)) {
      const byte = bit >> 3;
      if (byte < lengthBytes) unclaimed[byte] = (unclaimed[byte] as number) & ~(1 << (bit & 7));
    }
  }
  return unclaimed;
}

function toSeenSignal(store: RollingStore, signal: Signal, bytes: Uint8Array): SeenFrame['signals'][number] {
  const code = store.quality[signal.channel] as number;
  const raw = extractRaw(bytes, signal);
  const stateName = raw === undefined ? undefined : findState(signal, raw);
  return {
    name: signal.name,
    channel: signal.channel,
    bits: toBitNumbers(signal),
    value: hasValue(code) ? (store.value[signal.channel] as number) : null,
    quality: qualityNames[code] ?? 'missing',
    unit: signal.unit,
    ...(stateName === undefined ? {} : { stateName }),
  };
}

function toErrorRow(vehicle: Vehicle, error: SeenError): FramesView['errors'][number] {
  const names = errorClassNames.filter(([bit]) => (error.kind & bit) !== 0).map(([, name]) => name);
  return {
    bus: vehicle.buses[error.bus]?.name ?? String(error.bus),
    kind: names.join(', ') || `class 0x${error.kind.toString(16)}`,
    count: error.count,
    lastTimeUs: error.lastTimeUs,
  };
}
