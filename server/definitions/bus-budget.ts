// What a bus can carry, as far as its definitions tell: periods that no device can keep, and load before a frame was seen.
import type { ProblemList } from './problem.ts';
import type { Bus, Frame } from './vehicle.ts';
import type { Path, YamlText } from './yaml-text.ts';

/** Above this share of the bit rate the definitions alone are worth a warning. Common practice, no source. */
const loadMaxPercent = 70;

/**
 * Fewest bits that a classic frame takes on the wire, interframe space included: no stuff bit counted. 11-bit ids 47 + 8 × bytes,
 * 29-bit ids 67 + 8 × bytes (ISO 11898-1; the constants of the published worst-case formula without its stuffing term).
 */
export function fewestFrameBits(bytes: number, extended: boolean): number {
  return (extended ? 67 : 47) + 8 * bytes;
}

/**
 * Least time on the wire of one sending of a frame, seconds. A broadcast message of several packets is one announcing frame and a
 * frame for every 7 bytes. Of an FD frame only the payload at the data rate and 29 (49 extended) bits at the nominal rate are counted.
 */
export function leastFrameTimeS(frame: Frame, bus: Bus): number {
  if (frame.fd) return (frame.extended ? 49 : 29) / bus.bitRate + (8 * frame.lengthBytes) / (bus.dataBitRate ?? bus.bitRate);
  if (frame.lengthBytes <= 8) return fewestFrameBits(frame.lengthBytes, frame.extended) / bus.bitRate;
  return ((1 + Math.ceil(frame.lengthBytes / 7)) * fewestFrameBits(8, true)) / bus.bitRate;
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
