// What commands read that judge a recording: a file of any form, or a session by its number.
import { existsSync } from 'node:fs';
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { openRecordedFile } from '../exchange/recorded-file.ts';

/**
 * Frames of FILE or SESSION in their order. Digits alone name a session, unless a file of that name exists. What the file holds that
 * is no frame, or belongs to no bus of the vehicle, is told on standard error at the end.
 *
 * Iteration throws the errors of `openRecordedFile`, or SESSION_UNKNOWN.
 */
export async function* recordedFrames(source: string, vehicle: Vehicle, data: string): AsyncGenerator<FrameBatch> {
  if (/^\d+$/.test(source) && !existsSync(source)) {
    const { readSessionFrames } = await import('../recording/session-frames.ts');
    yield* readSessionFrames(data, Number(source), vehicle);
    return;
  }
  const file = openRecordedFile(source, { buses: vehicle.buses });
  yield* file;
  const { malformed, malformedNamed, unmatched } = file.counts;
  const [first] = malformedNamed;
  if (first)
    process.stderr.write(`evenburn: ${source}: ${malformed} parts are no frame, the first at ${first.unit} ${first.at}: ${first.why}\n`);
  for (const [name, frames] of unmatched) {
    process.stderr.write(
      `evenburn: ${source}: ${frames} frames of interface ${name} left out, no bus of the vehicle has it as \`interface\`\n`,
    );
  }
}
