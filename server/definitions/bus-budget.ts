// What a bus can carry, as far as its definitions tell: periods that no device can keep, and load before a frame was seen.
import { frameFlag } from '../bus/frame-batch.ts';
import { wireSecondsMin } from '../codec/wire-length.ts';
import type { ProblemList } from './problem.ts';
import type { Bus, Frame } from './vehicle.ts';
import type { Path, YamlText } from './yaml-text.ts';

/** Above this share of the bit rate the definitions alone are worth a warning. Common practice, no source. */
const loadMaxPercent = 70;

/**
 * Least time on the wire of one sending of a frame, seconds. A broadcast message of several packets is one announcing frame and a
 * frame for every 7 bytes.
 */
function leastFrameTimeS(frame: Frame, bus: Bus): number {
  const flags = (frame.extended ? frameFlag.extended : 0) | (frame.fd ? frameFlag.fd : 0);
  if (frame.fd || frame.lengthBytes <= 8) return wireSecondsMin(flags, frame.lengthBytes, bus.bitRate, bus.dataBitRate);
  return (1 + Math.ceil(frame.lengthBytes / 7)) * wireSecondsMin(flags, 8, bus.bitRate, undefined);
}

/** Warns of periods shorter than the frame itself, and of buses that are too full by their definitions. */
export function checkBusLoads(buses: Bus[], problems: ProblemList, vehicleFile: YamlText, deviceFiles: Map<string, YamlText>): void {
  for (const bus of buses) {
    if (bus.bitRate === 0) continue;
    let load = 0;
    for (const frame of bus.frames) {
      if (frame.periodUs === undefined || frame.periodUs === 0) continue;
      const seconds = leastFrameTimeS(frame, bus);
      load += seconds / (frame.periodUs / 1e6);
      if (seconds * 1e6 < frame.periodUs) continue;
      const file = deviceFiles.get(frame.at.file);
      const path = file && findFramePath(file, frame);
      const say = `frame '${frame.name}' takes ${Math.round(seconds * 1e6)} us at ${bus.bitRate / 1000} kbit/s, longer than its period`;
      if (file && path)
        problems.addAtValue(file, [...path, 'period'], {
          code: 'PERIOD_TOO_SHORT',
          say,
          fix: 'Look at the period and the bit rate again.',
        });
    }
    if (load * 100 <= loadMaxPercent) continue;
    const say = `bus '${bus.name}' is loaded ${(load * 100).toFixed(0)} % by its definitions, stuff bits not counted`;
    const fix = `Above ${loadMaxPercent} % low-priority frames come late: send less often, or raise the bit rate.`;
    problems.addAtKey(vehicleFile, ['buses', bus.name], { code: 'BUS_OVERLOADED', say, fix });
  }
}

function findFramePath(file: YamlText, frame: Frame): Path | undefined {
  const frames = file.data instanceof Map ? file.data.get('frames') : undefined;
  const count = Array.isArray(frames) ? frames.length : 0;
  for (let i = 0; i < count; i++) {
    const { line, column } = file.placeOfValue(['frames', i]);
    if (line === frame.at.line && column === frame.at.column) return ['frames', i];
  }
  return undefined;
}
