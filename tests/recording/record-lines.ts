// Inputs as plain lines, one a frame, so that two records compare by their content and order alone.
import type { PipelineInput } from '../../server/pipeline-input.ts';

export function recordLines(inputs: Iterable<PipelineInput>): string[] {
  const out: string[] = [];
  for (const input of inputs) {
    if (input.kind !== 'frames') {
      out.push(JSON.stringify(input.kind === 'definitions' ? { ...input, vehicle: input.vehicle.hash } : input));
      continue;
    }
    const { batch } = input;
    for (let i = 0; i < batch.count; i++) {
      const head = [batch.timeUs[i], batch.bus[i], batch.id[i], batch.flags[i], batch.length[i]];
      out.push(`frame ${head.join(' ')} ${Buffer.from(batch.bytesOf(i)).toString('hex')}`);
    }
  }
  return out;
}
