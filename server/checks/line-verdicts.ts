// The bus check's verdicts on the line as a whole: acknowledgement, ids nobody defined, errors, load.
import { countByKind, type ErrorFrame, errorClass, isFraming, isUnacknowledged } from '../bus/error-frame.ts';
import { type BusEvidence, countWithin } from './bus-evidence.ts';
import { type FrameLog, idText } from './bus-traffic.ts';
import { toPerhaps } from './device-verdicts.ts';
import { measureTiming } from './frame-findings.ts';
import { terminatorsOf } from './line-resistance.ts';

export function judgeAcknowledge(on: BusEvidence): void {
  const [first] = on.alone;
  if (!first) return;
  const definition = first.log?.definition;
  const frames = first.log ? countWithin(first.log, first.fromUs, first.toUs) : 0;
  const rate = frames > 1 ? Math.round((frames - 1) / Math.max(1e-6, (first.toUs - first.fromUs) / 1e6)) : 0;
  on.add({
    code: 'unacknowledged',
    ok: false,
    ...(definition ? { device: definition.device, frame: definition.name } : {}),
    at: on.at(first.fromUs),
    measured: rate,
    say: first.log
      ? `alone and unacknowledged: ${definition?.name ?? idText(first.log.id, first.log.extended)} comes back to back, ${rate} times a second, and every other frame is starved`
      : 'alone and unacknowledged: errors at the acknowledge slot and nobody answers',
    next: 'Add a second node that takes part in the bus, or let the adapter take part (it then acknowledges, and still sends no frame).',
  });
}

export function judgeUnknownIds(on: BusEvidence): void {
  for (const log of on.seen.logs) {
    if (log.definition || log.timesUs.length + log.remote === 0) continue;
    const timing = measureTiming(log);
    const likely = likelyDevice(on, log);
    on.add({
      code: 'id-unknown',
      ok: false,
      id: `0x${log.id
        .toString(16)
        .toUpperCase()
        .padStart(log.extended ? 8 : 3, '0')}`,
      ...(log.timesUs.length > 0 ? { at: on.at(log.firstUs) } : {}),
      measured: log.timesUs.length,
      ...(likely ? { likelyDevice: likely } : {}),
      say: `nobody defined ${idText(log.id, log.extended)}: ${log.timesUs.length} frames${timing ? ` every ${(timing.medianUs / 1000).toFixed(1)} ms` : ''}${likely ? `, perhaps of ${likely}` : ''}${wrongFormat(on, log)}`,
      next: 'Describe it in a device file, or find out which device sends it by unplugging one at a time.',
    });
  }
}

function wrongFormat(on: BusEvidence, log: FrameLog): string {
  const twin = on.bus.frames.find((frame) => frame.id === log.id && frame.extended !== log.extended);
  return twin ? `; ${twin.name} has this id as ${twin.extended ? '29-bit' : '11-bit'}: correct \`extended\`` : '';
}

/** A device whose ids lie around it. */
function likelyDevice(on: BusEvidence, log: FrameLog): string | undefined {
  let best: { device: string; distance: number } | undefined;
  for (const frame of on.bus.frames) {
    if (frame.id === undefined || frame.extended !== log.extended) continue;
    const distance = Math.abs(frame.id - log.id);
    if (distance <= 16 && (!best || distance < best.distance)) best = { device: frame.device, distance };
  }
  return best?.device;
}

export function judgeErrors(on: BusEvidence): void {
  const { seen, faults } = on;
  const [first] = faults;
  if (!first) {
    on.add({
      code: 'bus-errors',
      ok: true,
      measured: 0,
      limit: 0,
      say: 'no errors were reported by the driver (not every driver reports them)',
    });
    return;
  }
  const kinds = countByKind(faults);
  const unread = on.findUnread();
  if (unread) on.addWrongRate(unread);
  const steady = areSteady(on);
  on.add({
    code: 'bus-errors',
    ok: false,
    at: on.at(first.timeUs),
    measured: seen.errorsTotal,
    limit: 0,
    kinds: kinds.map(({ what, count, firstUs }) => ({ what, count, at: on.at(firstUs) })),
    say: `${seen.errorsTotal} error frames: ${kinds
      .slice(0, 4)
      .map(({ what, count }) => `${what} (${count})`)
      .join(', ')}. ${errorStory(faults)}${on.perhapsLoose.map((found) => ` Perhaps ${toPerhaps(found)}.`).join('')}`,
    ...(on.perhapsLoose.length > 0 ? { alsoPerhaps: on.perhapsLoose.map(({ stretch }) => stretch) } : {}),
    ...(steady ? { suspects: ['terminator missing', 'one terminator too many', 'noise'] } : {}),
    next: steady ? terminationAdvice(on) : (breakAdvice(on) ?? errorAdvice(faults)),
  });
}

/** A contact that opens spoils what is on the wire, and takes a terminator away. */
function breakAdvice({ result, bus, faults }: BusEvidence): string | undefined {
  const broken = result.verdicts.filter(({ ok, code, bus: name }) => !ok && code === 'trunk-break' && name === bus.name);
  if (broken.length === 0 || faults.some(({ classes }) => (classes & errorClass.transceiver) !== 0)) return undefined;
  return `They come with the trunk's break between ${broken.map(({ stretch }) => String(stretch).replace(' - ', ' and ')).join(', and between ')}: mend that first, then look again.`;
}

const steadyFaultsMin = 10;
const steadyShare = 0.6;

/**
 * Errors most of the time, anywhere in a frame, while everybody is heard: reflections or noise, not a contact, a node or a bit rate. Which of
 * them it is no error frame says.
 */
function areSteady(on: BusEvidence): boolean {
  const { faults, result, bus } = on;
  const seconds = Math.ceil((on.traffic.lastUs - on.traffic.firstUs) / 1e6);
  const otherCause = ['unacknowledged', 'wrong-bit-rate', 'trunk-break', 'two-talkers', 'device-missing'];
  if (result.verdicts.some(({ ok, code, bus: name }) => !ok && name === bus.name && otherCause.includes(code))) return false;
  if (faults.length < steadyFaultsMin || faults.filter(isFraming).length < 0.5 * faults.length) return false;
  const disturbed = new Set(faults.map(({ timeUs }) => Math.floor((timeUs - on.traffic.firstUs) / 1e6)));
  return disturbed.size >= steadyShare * seconds;
}

function terminationAdvice(on: BusEvidence): string {
  const known = terminatorsOf(on.bus) ?? [];
  const named = known.length > 0 ? ` (the trunk names ${known.join(' and ')})` : '';
  return `Errors all the time while every device is heard: termination, or noise. With all power off measure between the lines: 120 ohm means that one terminator is missing${named}, 40 ohm one too many (unplug the adapter first, it may have one built in), 60 ohm that termination is right: then look at stubs, shields and the routing beside ignition leads.`;
}

export function judgeLoad(on: BusEvidence): void {
  if (!on.load) return;
  const { mean, worstSecond, worstSecondAtUs, worst100Ms, isOver, isAloneOver } = on.load;
  on.result.loadPercent = Math.max(on.result.loadPercent ?? 0, mean);
  if (isAloneOver) return;
  const waiting =
    on.waiting.length > 0 ? `; ${on.waiting.join(' and ')} wait${on.waiting.length === 1 ? 's' : ''} for the bus by turns` : '';
  on.add({
    code: 'bus-load',
    ok: !isOver,
    ...(isOver ? { at: on.at(Math.max(worstSecondAtUs, on.traffic.firstUs)) } : {}),
    measured: Math.round(mean * 1000) / 1000,
    limit: on.limits.loadPercent,
    worstSecondPercent: Math.round(worstSecond * 100) / 100,
    worst100MsPercent: Math.round(worst100Ms * 100) / 100,
    say: `load ${mean.toFixed(1)} % on average, ${worstSecond.toFixed(1)} % in the worst second, ${worst100Ms.toFixed(1)} % in the worst 100 ms${waiting}`,
    ...(on.waiting.length > 0 ? { waiting: on.waiting } : {}),
    ...(isOver ? { next: 'Slow down frames that nobody needs so often, or raise the bit rate of every node.' } : {}),
  });
}

export function sayWhatIsNotJudged(on: BusEvidence): void {
  const { bus, result } = on;
  if (!bus.trunk)
    result.notJudged?.push({
      what: `where the trunk of bus ${bus.name} interrupts`,
      line: `trunk: { ${bus.name}: [terminator, ...devices in order along the wire..., terminator] }`,
    });
  for (const frame of bus.frames) {
    if (frame.periodUs === undefined)
      result.notJudged?.push({
        what: `whether ${frame.name} comes on time`,
        line: `period: ... in frame ${frame.name} of ${frame.at.file}`,
      });
  }
}

/** The order in which a controller gave up, in words. */
export function errorStory(errors: readonly ErrorFrame[]): string {
  const steps: string[] = [];
  for (const error of errors) {
    const step = storyStep(error);
    if (step && steps[steps.length - 1] !== step && steps.length < 6) steps.push(step);
  }
  return steps.length > 0 ? `The story: ${steps.join(', then ')}.` : 'Single disturbances: a marginal line.';
}

function storyStep(error: ErrorFrame): string | undefined {
  if ((error.classes & errorClass.busOff) !== 0) return 'bus-off';
  if ((error.classes & errorClass.controller) === 0) return undefined;
  if ((error.controller & 0x30) !== 0) return `error-passive${counted(error)}`;
  if ((error.controller & 0x0c) !== 0) return `error warning${counted(error)}`;
  return undefined;
}

function counted(error: ErrorFrame): string {
  if (error.sent === 0 && error.received === 0) return '';
  return ` (sent ${error.sent}, received ${error.received})`;
}

function errorAdvice(errors: readonly ErrorFrame[]): string {
  const share = (test: (error: ErrorFrame) => boolean) => errors.filter(test).length / errors.length;
  if (errors.some((error) => (error.classes & errorClass.transceiver) !== 0))
    return 'The transceiver names the line: look at that wire first.';
  if (share(isUnacknowledged) > 0.5) return 'Nobody acknowledges: a node alone on the line, an open bus, or everybody else listens only.';
  if (share(isFraming) > 0.5)
    return 'Stuff and form errors: compare the bit rates of all nodes, then termination (60 ohm between the lines, all power off).';
  if (errors.some((error) => (error.classes & errorClass.busOff) !== 0))
    return 'Bus-off: look for a short between the lines, a wrong bit rate, or two senders of one id.';
  return 'With all power off measure the resistance between the lines (60 ohm), then look at stubs, shields and the routing beside ignition leads.';
}
