// When each cylinder's injection comes, seen from its own intake stroke: from firing order and group angles. Pure.
import type { InjectorGroup, InjectorSet, Vehicle } from '../definitions/vehicle.ts';

/**
 * Degrees from the opening of a cylinder's intake stroke (top dead centre of gas exchange, 360° behind its compression top) to the
 * injection of its group nearest to it, from firing order and group angles; even firing is assumed. Undefined without firing order or angles.
 * The angles count from compression top of the cylinder that `zero` names (`cylinder 3`), else of the first of the firing order.
 * Worked: six cylinders 1-5-3-6-2-4, angle 60° behind compression top of cylinder 1, once a cycle: cylinder 1 −300, cylinder 5 (120° later) −420,
 * which is 300.
 */
export function injectionPhases(vehicle: Vehicle, set: InjectorSet, groups: readonly InjectorGroup[]): Record<number, number> | undefined {
  if (!set.groupAngles || (vehicle.engine?.firingOrder ?? []).length === 0) return undefined;
  const found = groups.flatMap((group) =>
    group.cylinders.flatMap((cylinder) => {
      const phase = phaseOf(vehicle, set, group.name, cylinder);
      return phase ? [[cylinder, phase.phaseDeg] as const] : [];
    }),
  );
  return Object.fromEntries(found);
}

/** One cylinder's phase with what it was computed from, degrees of crank behind the zero of the group angles. */
export interface InjectionPhase {
  phaseDeg: number;
  angleDeg: number;
  /** Places behind the cylinder of the zero in the firing order. */
  places: number;
  opensDeg: number;
  cycleDeg: number;
  /** An injection comes every so many degrees. */
  repeatDeg: number;
}

/** Undefined where firing order or angle are not known. */
export function phaseOf({ engine }: Vehicle, set: InjectorSet, group: string, cylinder: number): InjectionPhase | undefined {
  const order = engine?.firingOrder ?? [];
  const angleDeg = set.groupAngles?.anglesDeg.get(group);
  const place = order.indexOf(cylinder);
  if (!engine || !set.groupAngles || angleDeg === undefined || place < 0) return undefined;
  const cycleDeg = engine.cycle === 'two-stroke' ? 360 : 720;
  const repeatDeg = cycleDeg / (set.injectionsPerCycle ?? 1);
  const places = place - Math.max(0, order.indexOf(zeroCylinder(set.groupAngles.zero) ?? (order[0] as number)));
  const opensDeg = (cycleDeg / order.length) * places + cycleDeg / 2;
  const turned = (((angleDeg - opensDeg) % repeatDeg) + repeatDeg) % repeatDeg;
  return { phaseDeg: turned > repeatDeg / 2 ? turned - repeatDeg : turned, angleDeg, places, opensDeg, cycleDeg, repeatDeg };
}

function zeroCylinder(zero: string): number | undefined {
  const found = /cylinder\s+(\d+)/i.exec(zero)?.[1];
  return found === undefined ? undefined : Number(found);
}
