// What a reader of a report must not conclude from it, and what is dangerous about what it reports. Pure.
import type { ReportData } from './report-data.ts';

export function toCautions(data: ReportData): string[] {
  return [...ofRecording(data), ...ofDefinitions(data), ...ofMeasuring(data), ...ofSafety(data)];
}

function ofRecording({ state, loss, remarks, stamps, frames }: ReportData): string[] {
  const said: string[] = [];
  const lost = loss.adapter + loss['before-reader'] + loss.queue;
  if (frames === 0) said.push('No frame was recorded.');
  if (state === 'killed')
    said.push('The program ended in the middle of this recording: up to a quarter of a second before its end is missing.');
  if (state === 'open') said.push('The session was still being recorded: its newest ten seconds are not in this report.');
  if (lost > 0) said.push(`${lost} frames are known to be lost: a value that seems steady there may have moved.`);
  if (Object.values(stamps).includes('process'))
    said.push('Time stamps were taken when the program read the frames: periods and delays are good to some milliseconds only.');
  return [...said, ...remarks];
}

function ofDefinitions({ vehicle, recordedHash, events }: ReportData): string[] {
  const said: string[] = [];
  const changes = events.filter(({ kind }) => kind === 'definitions').length;
  if (vehicle.hash !== recordedHash)
    said.push(
      'This reading was made by other definitions than those in force when it was recorded: the alarms are those that would have come.',
    );
  else if (changes > 0)
    said.push(
      'Definitions were changed while it was recorded: limits and scales are those of each time; names, plans and checks here are those of its beginning.',
    );
  if (vehicle.warnings.length > 0) said.push(`The definitions have ${vehicle.warnings.length} warnings: see \`evenburn validate\`.`);
  return said;
}

function ofMeasuring({ peaks, checks, startedWallMs }: ReportData): string[] {
  const said: string[] = [];
  const bad = peaks.filter(({ outOfRange, bad: without }) => outOfRange + without > 0);
  if (bad.length > 0)
    said.push(
      `Probes of cylinders ${bad.map(({ cylinder }) => cylinder).join(', ')} had samples that are not ok: their peaks may be higher than shown.`,
    );
  if (peaks.length > 0)
    said.push(
      'An exhaust probe shows what it indicates, behind the gas by its lag, and a limit holds for what is indicated at that place.',
    );
  if (checks.some(({ notJudged }) => (notJudged?.length ?? 0) > 0))
    said.push('Not judged is not right: what the vehicle file does not say is listed with each check.');
  if (startedWallMs === null) said.push('When it was recorded is not known; the date of a file may mislead.');
  return said;
}

/** Design of the tool: words of safety where they apply. */
function ofSafety({ vehicle }: ReportData): string[] {
  const methanol = (vehicle.fuel.parts.get('methanol') ?? 0) > 0 || vehicle.fuel.name.toLowerCase() === 'methanol';
  const said = [
    'This tool only listens. It is no protection device; protection belongs in the engine controller.',
    'Before acting on a number: hot and rotating parts, fuel under pressure, exhaust gas, batteries. Keep people clear of the plane of rotation, and follow the device maker, local codes and the dyno operator.',
  ];
  if (methanol) said.push('Methanol burns with a flame that is not seen in daylight.');
  return said;
}
