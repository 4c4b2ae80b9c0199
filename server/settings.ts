// Reads settings once; the only file that touches process.env.
import { homedir } from 'node:os';
import { join } from 'node:path';

/** Where sessions live: `--data`, else EVENBURN_DATA, else the user's data folder. */
export function dataFolder(given?: string): string {
  if (given) return given;
  const env = process.env;
  if (env.EVENBURN_DATA) return env.EVENBURN_DATA;
  if (process.platform === 'win32') return join(env.LOCALAPPDATA ?? join(homedir(), 'AppData', 'Local'), 'evenburn');
  if (process.platform === 'darwin') return join(homedir(), 'Library', 'Application Support', 'evenburn');
  return join(env.XDG_DATA_HOME ?? join(homedir(), '.local', 'share'), 'evenburn');
}

/** In CI a skipped test fails the run. */
export const inCi = process.env.CI === 'true';

/** npm runs the program in a process of its own, and may be ended without ending it. */
export const startedByNpm = process.env.npm_lifecycle_event !== undefined;

const logLevels = ['fatal', 'error', 'warn', 'info', 'debug', 'trace', 'silent'];
const wantedLogLevel = process.env.EVENBURN_LOG ?? '';

/** Level of the log on standard error: quiet unless asked. */
export const logLevel = logLevels.includes(wantedLogLevel) ? wantedLogLevel : 'warn';
