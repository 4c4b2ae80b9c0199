// `evenburn backup`: copies of all sessions into a folder, also while one is recorded.
import { join } from 'node:path';
import type { Command } from 'commander';

interface BackupOptions {
  output?: string;
  data?: string;
}

export function addBackupCommand(program: Command): void {
  program
    .command('backup')
    .description('copy all sessions into a folder, also while recording; copies that are up to date are left alone')
    .option('-o, --output <dir>', 'folder of the copies; without: evenburn-backup in the current folder')
    .option('--data <dir>', 'folder of the recorded sessions')
    .action(backup);
}

async function backup(options: BackupOptions): Promise<void> {
  const [{ dataFolder }, { backupSessions }, { AnswerIsNo }] = await Promise.all([
    import('../settings.ts'),
    import('../recording/backup.ts'),
    import('./answer.ts'),
  ]);
  const folder = options.output ?? join(process.cwd(), 'evenburn-backup');
  const { copied, unchanged, failed } = await backupSessions(dataFolder(options.data), folder);
  process.stdout.write(
    `${copied.length === 1 ? '1 session' : `${copied.length} sessions`} copied to ${folder}, ${unchanged.length} were up to date\n`,
  );
  for (const { session, why } of failed) process.stderr.write(`evenburn: session ${session} was not copied: ${why}\n`);
  if (failed.length > 0) throw new AnswerIsNo();
}
