// `evenburn doctor`: what this computer can read, what is missing, and the command that fixes it.
import type { Command } from 'commander';
import type { Finding, FindingState } from '../bus/finding.ts';
import { AnswerIsNo } from './answer.ts';

interface DoctorOptions {
  data?: string;
  json?: boolean;
  findBitRate?: string;
  nothingIsRunning?: boolean;
}

export function addDoctorCommand(program: Command): void {
  program
    .command('doctor')
    .description(
      'what this computer can read, what is missing, and the command that fixes it; exit 1 when the program could not do its work',
    )
    .option('--data <dir>', 'folder of the recorded sessions')
    .option('--json', 'print the findings as JSON')
    .option('--find-bit-rate <source>', 'listen on socketcan:INTERFACE or serial:PORT at each standard bit rate, and say which it is')
    .option('--nothing-is-running', 'with --find-bit-rate: nothing on this bus is running, so that it may be disturbed')
    .action((options: DoctorOptions) => (options.findBitRate === undefined ? doctor(options) : sayBitRate(options.findBitRate, options)));
}

async function doctor(options: DoctorOptions): Promise<void> {
  const [{ busFindings }, { machineFindings }, { dataFolder }] = await Promise.all([
    import('../bus/bus-findings.ts'),
    import('./machine-findings.ts'),
    import('../settings.ts'),
  ]);
  const findings = [...(await machineFindings(dataFolder(options.data))), ...(await busFindings())];
  const ok = findings.every((finding) => finding.state !== 'wrong');
  process.stdout.write(options.json ? `${JSON.stringify({ ok, findings })}\n` : toText(findings));
  if (!ok) throw new AnswerIsNo();
}

const marks: Readonly<Record<FindingState, string>> = { ok: 'ok   ', note: 'note ', wrong: 'WRONG' };

function toText(findings: readonly Finding[]): string {
  return findings.map(({ state, say, fix }) => `${marks[state]}  ${say}\n${fix === undefined ? '' : `       → ${fix}\n`}`).join('');
}

/** The answer on standard output, each bit rate as it is tried on standard error; exit 1 when there is no answer. */
async function sayBitRate(source: string, options: DoctorOptions): Promise<void> {
  const [{ findBitRate }, { listenerFor }] = await Promise.all([
    import('../bus/bit-rate-finder.ts'),
    import('../bus/bit-rate-listener.ts'),
  ]);
  const answer = await findBitRate(await listenerFor(source), {
    confirmed: options.nothingIsRunning === true,
    say: ({ bitRate, frames, framingErrors, acknowledgeErrors, isRefused }) => {
      const heard = isRefused ? 'refused' : `${frames} frames, ${framingErrors + acknowledgeErrors} errors`;
      process.stderr.write(`${bitRate / 1000} kbit/s: ${heard}\n`);
    },
  });
  process.stdout.write(options.json ? `${JSON.stringify(answer)}\n` : `${answer.say}\n`);
  if (answer.kind === 'silent' || answer.kind === 'undecided') throw new AnswerIsNo();
}
