// The preparation list: what the first fire needs, what people closed or waived, and what is still open in harness, probes and checks. Pure.
import { findProcedure } from '../checks/procedure.ts';
import { type Said, said } from '../checks/said.ts';
import type { Verdict } from '../checks/verdict.ts';
import type { PreparationItem, PreparationView } from '../contract/check-steps.ts';
import type { CheckRun } from '../contract/checks.ts';
import type { HarnessView } from '../contract/harness.ts';
import type { LogEntry } from '../contract/log-book.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';

export interface PreparationParts {
  vehicle: Vehicle;
  /** Oldest first. */
  log: readonly LogEntry[];
  harness: HarnessView | null;
  /** The newest run of each check. */
  runs: readonly CheckRun[];
}

type Settling = LogEntry & { kind: 'item-settled' };
/** An item before anybody settled it. */
type Listed = Pick<PreparationItem, 'item' | 'kind' | 'title' | 'titleParts' | 'say' | 'blocking' | 'closesItself' | 'covers'>;

/** The list: first what a person does, then what is noted, then what is measured. */
export function toPreparation(parts: PreparationParts): PreparationView {
  const begun = parts.log.findLast(({ kind }) => kind === 'preparation-begun');
  const settled = new Map<string, Settling>();
  for (const entry of parts.log) if (entry.kind === 'item-settled') settled.set(entry.item, entry);
  const listed = [
    ...prepareItems(parts.vehicle),
    ...notedItems(parts.log),
    ...wireItems(parts),
    ...probeItems(parts),
    ...groupItems(parts),
  ];
  const items = [...listed, ...verdictItems(parts)].map((item) => {
    const entry = settled.get(item.item);
    // What a person did with his hands is done anew each time the list is gone through; a fact that was noted stays settled.
    const isOver = item.kind === 'prepare' && entry !== undefined && begun !== undefined && entry.entry < begun.entry;
    return toItem(item, isOver ? undefined : entry);
  });
  return {
    items,
    blocking: items.filter(({ blocking, state }) => blocking && state === 'open').length,
    begunWallMs: begun?.wallMs ?? null,
  };
}

/** Titles of what keeps the engine from being fired. */
export function openBlocking({ items }: PreparationView): string[] {
  return items.filter(({ blocking, state }) => blocking && state === 'open').map(({ title }) => title);
}

function toItem(item: Listed, entry: Settling | undefined): PreparationItem {
  const nothing = { reason: '', by: '', wallMs: null };
  if (!entry || !holds(item, entry)) return { ...item, state: 'open', ...nothing };
  return { ...item, state: entry.state, reason: entry.reason, by: entry.by, wallMs: entry.wallMs };
}

/** A waiver needs a reason and covers what it was given for, nothing that came to it since; nobody closes by a tap what is measured. */
function holds(item: Listed, { state, reason, covers }: Settling): boolean {
  if (state === 'closed') return !item.closesItself;
  return state === 'waived' && reason !== '' && item.covers.every((one) => covers.includes(one));
}

function prepareItems(vehicle: Vehicle): Listed[] {
  return (findProcedure(vehicle, 'preparation')?.steps ?? []).map(({ name, title, say, blocking }) => ({
    item: name,
    kind: 'prepare',
    title,
    say,
    blocking,
    closesItself: false,
    covers: [],
  }));
}

function notedItems(log: readonly LogEntry[]): Listed[] {
  return log.flatMap((entry) =>
    entry.kind === 'open-item'
      ? [
          {
            item: `noted-${entry.entry}`,
            kind: 'noted' as const,
            title: entry.title,
            say: entry.note || `Noted by ${entry.by}.`,
            blocking: entry.blocking,
            closesItself: false,
            covers: [],
          },
        ]
      : [],
  );
}

function wireItems({ harness }: PreparationParts): Listed[] {
  if (!harness) return [];
  const open = harness.runs.filter(({ signed, outdated }) => !signed?.ok || outdated).map(({ name }) => name);
  return measured(
    'wires',
    'wire',
    open,
    `${open.length} of ${harness.runs.length} wires unsigned`,
    'Measure and sign them on the Harness page.',
  );
}

/** Nothing is listed where all is well. */
function measured(item: string, kind: PreparationItem['kind'], open: string[], title: string, say: string): Listed[] {
  if (open.length === 0) return [];
  return [{ item, kind, title, say: `${say} Open: ${listOf(open)}.`, blocking: true, closesItself: true, covers: open }];
}

function listOf(names: readonly string[]): string {
  const most = 6;
  return names.length <= most ? names.join(', ') : `${names.slice(0, most).join(', ')} and ${names.length - most} more`;
}

function verdictsOf(runs: readonly CheckRun[], check: string): Verdict[] {
  return (runs.find((run) => run.check === check)?.result.verdicts ?? []) as Verdict[];
}

/** A probe is proven when warming it raised the channel that the file gives it now. */
function probeItems({ vehicle, runs }: PreparationParts): Listed[] {
  const probes = vehicle.engine?.exhaustTemps ?? [];
  const verdicts = verdictsOf(runs, 'probes');
  const open = probes
    .filter(({ cylinder, channel }) => {
      const ofIt = verdicts.filter((verdict) => verdict.cylinder === cylinder && verdict.channel === channel);
      return !ofIt.some(({ code, ok }) => code === 'probe-swapped' && ok) || ofIt.some(({ ok }) => !ok);
    })
    .map(({ cylinder }) => `cylinder ${cylinder}`);
  return measured(
    'probes',
    'probe',
    open,
    `${open.length} of ${probes.length} probes unproven`,
    'Warm them one at a time in the probe check.',
  );
}

function groupItems({ vehicle, runs }: PreparationParts): Listed[] {
  const verdicts = verdictsOf(runs, 'injectors');
  const groups = vehicle.injectorSets.flatMap((set) => planOf(set).map((group) => ({ set: set.name, ...group })));
  const open = groups
    .filter(({ set, name, cylinders }) => {
      const wanted = [...cylinders].sort((a, b) => a - b).join();
      return !verdicts.some(
        (one) => one.ok && one.set === set && one.group === name && (one.found as number[] | undefined)?.join() === wanted,
      );
    })
    .map(({ set, name }) => `${set} ${name}`);
  return measured(
    'groups',
    'verdict',
    open,
    `${open.length} of ${groups.length} injector groups unproven`,
    'Command each in the injector check.',
  );
}

function planOf({ plans, plan }: InjectorSet): { name: string; cylinders: number[] }[] {
  return (plans.find(({ name }) => name === plan) ?? (plans.length === 1 ? plans[0] : undefined))?.groups ?? [];
}

/** Codes whose failure is told by an item of its own, or is what the next start is for. */
const toldElsewhere = new Set(['probe-swapped', 'probe-reversed', 'probe-dead', 'group-wiring', 'failed-crank']);

function verdictItems({ runs }: PreparationParts): Listed[] {
  return runs.flatMap(({ run, check, title, result }) =>
    (result.verdicts as Verdict[])
      .filter(({ ok, code }) => !ok && !toldElsewhere.has(code))
      .map((verdict) => ({
        item: ['verdict', check, verdict.code, subjectOf(verdict)].join(':').slice(0, 300),
        kind: 'verdict' as const,
        ...toTitle(said`${title || check}: ${toSaid(verdict)}`),
        say: `${verdict.next ?? 'Put it right'} It closes when a later run finds it right (now: run ${run}).`,
        blocking: true,
        closesItself: true,
        covers: [`run ${run}`],
      })),
  );
}

const toSaid = ({ say, sayParts }: Verdict): Said => (sayParts ? { say, sayParts } : { say });

function toTitle({ say, sayParts }: Said): Pick<Listed, 'title' | 'titleParts'> {
  return sayParts ? { title: say, titleParts: sayParts } : { title: say };
}

function subjectOf({ bus, device, frame, channel, cylinder, set, group, stretch, step, id }: Verdict): string {
  return [bus, device, frame, channel, cylinder, set, group, stretch, step, id].filter((part) => part !== undefined).join(' ');
}
