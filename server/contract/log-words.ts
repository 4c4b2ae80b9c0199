// An entry of the log book in words: the same in pages, on a session's time line and in its report.
import type { LogEntry } from './log-book.ts';

/** One photo or one log: pages say so before they send what would be refused half way. */
export { attachmentBytesMax } from '../limits.ts';

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
      const way =
        entry.from && entry.to ? `: ${entry.from} → ${entry.to}` : entry.from || entry.to ? `: ${entry.to ?? `was ${entry.from}`}` : '';
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
    case 'timing-reading':
      return `Timing at ${Math.round(entry.speedRpm)} rpm: ${entry.lightDeg}° by the light, ${entry.commandedDeg}° commanded`;
    case 'timing-undone':
      return `Timing reading of entry ${entry.of} taken back`;
    case 'timing-adjusted':
      return `Timing adjusted: ${entry.what}`;
    case 'heat-cycle-sheet':
      return `Sheet of a heat cycle: ${toSheetText(entry)}`;
    case 'correction':
      return `vehicle.yaml corrected by run ${entry.run}: ${entry.changes.map(({ what, from, to }) => `${what}: ${from} → ${to}`).join('; ')}`;
    case 'open-item':
      return `Open: ${entry.title}`;
    case 'item-settled':
      return `Preparation, ${entry.item}: ${entry.state}${entry.reason ? ` (${entry.reason})` : ''}`;
    case 'check-begun':
      return `Check begun: ${entry.check}`;
    case 'check-step':
      return `Step ${entry.step}: ${entry.outcome}${entry.reason ? ` (${entry.reason})` : ''}`;
    default:
      return (entry as LogEntry).kind;
  }
}

/** What was done and seen behind a heat cycle, in words; never empty. */
export function toSheetText(sheet: Extract<LogEntry, { kind: 'heat-cycle-sheet' }>): string {
  const { retorqued, lashSet, filterCut, plugsRead, oilLook } = sheet;
  const done = [retorqued && 're-torqued', lashSet && 'lash set', filterCut && 'filter cut open', plugsRead && 'plugs read'];
  return [...done, oilLook !== '' && `oil ${oilLook}`].filter(Boolean).join(', ') || 'nothing was done';
}

const engineKinds: readonly LogEntry['kind'][] = [
  'note',
  'change',
  'plug-sheet',
  'trial',
  'trial-undone',
  'timing-reading',
  'timing-adjusted',
  'heat-cycle-sheet',
  'correction',
];

/** Whether it tells of something that was done to the engine: those stand on the time line and in the report. */
export function isOfTheEngine({ kind }: LogEntry): boolean {
  return engineKinds.includes(kind);
}
