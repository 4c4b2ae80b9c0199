// `evenburn repair SESSION`: checks a session file; with -o saves every part that can be read into a new one.
import type { Command } from 'commander';
import { sessionNumber } from './session-number.ts';

interface RepairOptions {
  output?: string;
  data?: string;
}

export function addRepairCommand(program: Command): void {
  program
    .command('repair')
    .description('check a session file part by part; with -o save every part that can be read (then `import` the new file)')
    .argument('<session>', 'number of the session')
    .option('-o, --output <path>', 'new session file')
    .option('--data <dir>', 'folder of the recorded sessions')
    .action(repair);
}

async function repair(text: string, options: RepairOptions): Promise<void> {
  const [{ dataFolder }, { checkSession, repairSession }, { AnswerIsNo }] = await Promise.all([
    import('../settings.ts'),
    import('../recording/repair.ts'),
    import('./answer.ts'),
  ]);
  const session = sessionNumber(text);
  const data = dataFolder(options.data);
  if (options.output !== undefined) {
    const { saved, damage } = repairSession(data, session, options.output);
    process.stdout.write(`session ${session}: ${saved} parts saved in ${options.output}, ${damage.length} could not be read\n`);
    for (const { part, why } of damage) process.stderr.write(`evenburn: ${part}: ${why}\n`);
    return;
  }
  const { parts, damage } = checkSession(data, session);
  process.stdout.write(`session ${session}: ${parts} parts, ${damage.length === 0 ? 'all sound' : `${damage.length} damaged`}\n`);
  for (const { part, why } of damage) process.stdout.write(`${part}: ${why}\n`);
  if (damage.length > 0) throw new AnswerIsNo();
}
