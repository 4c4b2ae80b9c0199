// What a person makes ready before the first fire, from what the vehicle has. Pure.
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Step } from './procedure.ts';

const item = (name: string, title: string, say: string, blocking = true): Step => ({
  name,
  title,
  say,
  kind: 'confirm',
  codes: [],
  blocking,
});

/** Common practice, no source. */
export function preparationSteps(vehicle: Vehicle): Step[] {
  const { engine, injectorSets, fuel } = vehicle;
  const methanol = (fuel.parts.get('methanol') ?? 0) > 0.2;
  return [
    item('oil', 'Engine oil', 'Right kind, level at its mark, filter filled and tight.'),
    ...(engine?.roles.coolantTemp ? [item('coolant', 'Coolant', 'Filled and bled; cap on; hoses and clamps tight.')] : []),
    item('fuel', 'Fuel', `Enough ${fuel.name} for the evening, clearly marked; the way to the shut-off is free.`),
    item(
      'fuel-lines',
      'Fuel lines and fittings',
      `Every fitting tight and dry after the leak hold${injectorSets.length > 1 ? ', on every rail' : ''}; lines clear of heat and of what moves.`,
    ),
    ...(engine && engine.exhaustTemps.length > 0
      ? [
          item(
            'probe-nuts',
            'Probes tightened',
            `All ${engine.exhaustTemps.length} exhaust probes tight, their wires clear of the headers.`,
          ),
        ]
      : []),
    item(
      'extinguisher',
      'Extinguisher',
      methanol
        ? 'At hand, right for alcohol, and water to dilute: methanol burns unseen in daylight.'
        : 'At hand, right for fuel, its seal whole.',
    ),
    item('ventilation', 'Ventilation', 'Doors open, exhaust led out: exhaust gas kills without a smell.'),
    item('people', 'People', 'Nobody in the plane of rotation. Who stops the engine, who is at the shut-off, which hand sign means stop.'),
    item('ears', 'Ears and eyes', 'Defenders and glasses on: from now on the screen speaks, not the voice.', false),
  ];
}
