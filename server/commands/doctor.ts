// `evenburn doctor`: what this computer can read, what is missing, and the command that fixes it.
import type { Command } from 'commander';
import type { Finding, FindingState } from '../bus/finding.ts';
import { AnswerIsNo } from './answer.ts';

interface DoctorOptions {
  data?: string;
  json?: boolean;
}

export function addDoctorCommand(program: Command): void {
  program
    .command('doctor')
    .description(
      'what this computer can read, what is missing, and the command that fixes it; exit 1 when the program could not do its work',
    )
    .option('--data <dir>', 'folder of the recorded sessions')
    .option('--json', 'print the findings as JSON')
    .action(doctor);
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
