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
  const { engine } = vehicle;
  const order = engine?.firingOrder ?? [];
  if (!engine || !set.groupAngles || order.length === 0) return undefined;
  const cycleDeg = engine.cycle === 'two-stroke' ? 360 : 720;
  const repeatDeg = cycleDeg / (set.injectionsPerCycle ?? 1);
  const zeroAt = Math.max(0, order.indexOf(zeroCylinder(set.groupAngles.zero) ?? (order[0] as number)));
  const phases: Record<number, number> = {};
  for (const group of groups) {
    const angle = set.groupAngles.anglesDeg.get(group.name);
    if (angle === undefined) continue;
    for (const cylinder of group.cylinders) {
      const place = order.indexOf(cylinder);
      if (place < 0) continue;
      const opens = (cycleDeg / order.length) * (place - zeroAt) + cycleDeg / 2;
      const turns = (((angle - opens) % repeatDeg) + repeatDeg) % repeatDeg;
      phases[cylinder] = turns > repeatDeg / 2 ? turns - repeatDeg : turns;
    }
  }
  return phases;
}

function zeroCylinder(zero: string): number | undefined {
  const found = /cylinder\s+(\d+)/i.exec(zero)?.[1];
  return found === undefined ? undefined : Number(found);
}
