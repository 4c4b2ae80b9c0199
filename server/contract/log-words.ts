// An entry of the log book in words: the same in pages, on a session's time line and in its report.
import type { LogEntry } from './log-book.ts';

type ChangeWhat = Extract<LogEntry, { kind: 'change' }>['what'];

export const changeWords: Readonly<Record<ChangeWhat, string>> = {
  plan: 'Group plan',
  trim: 'Fuel trim',
  pressure: 'Fuel pressure',
  fuel: 'Fuel',
  plugs: 'Spark plugs',
  part: 'Part exchanged',
  other: 'Something else',
};

/** Without its note; empty for a bare note. Kinds that belong to other pages are told by their name. */
export function toEntryText(entry: LogEntry): string {
  switch (entry.kind) {
    case 'note':
      return '';
    case 'change': {
      const cylinders = entry.cylinders && entry.cylinders.length > 0 ? `, cylinder ${entry.cylinders.join(', ')}` : '';
      const way = entry.from || entry.to ? `: ${entry.from ?? ''} → ${entry.to ?? ''}` : '';
      return `${changeWords[entry.what]}${cylinders}${way}`;
    }
    case 'plug-sheet':
      return `Plug of cylinder ${entry.cylinder}${entry.plug ? `, ${entry.plug}` : ''}${entry.look ? `: ${entry.look}` : ''}${entry.photo ? ' (photo in the log)' : ''}`;
    case 'trial':
      return `Trial: ${entry.change}`;
    case 'trial-undone':
      return `Trial of entry ${entry.of} taken back`;
    case 'pull':
      return `Pull corrected${entry.name ? `: ${entry.name}` : ''}${entry.isNone ? ': it is none' : ''}`;
    case 'dyno':
      return `Dyno${entry.dyno ? `: ${entry.dyno}` : ''}${entry.gear ? `, gear ${entry.gear}` : ''}`;
    case 'torque-log':
      return `Torque log ${entry.name}${entry.isNone ? ' taken out' : ''}`;
    default:
      return (entry as LogEntry).kind;
  }
}

/** Whether it tells of something that was done to the engine: those stand on the time line and in the report. */
export function isOfTheEngine({ kind }: LogEntry): boolean {
  return kind === 'note' || kind === 'change' || kind === 'plug-sheet' || kind === 'trial' || kind === 'trial-undone';
}
