// Made-up values of every channel of the scripted station: slow waves, no engine in particular.
import type { VehicleView } from '../../server/contract/vehicle-view.ts';

/** Value of each channel at `t` seconds, with a pull every 40 s; what has none then is left out. */
export function valuesAt(view: VehicleView, t: number): Map<string, number> {
  const pull = Math.max(0, Math.sin((2 * Math.PI * t) / 40)) ** 2;
  const wobble = (seed: number, periodS: number) => Math.sin((2 * Math.PI * t) / periodS + seed * 2.4);
  const values = new Map<string, number>();
  const speed = 1150 + pull * 5600 + 12 * wobble(1, 0.7);
  values.set('engine_speed', speed);
  values.set('throttle', 8 + pull * 92);
  values.set('manifold_pressure', 45 + pull * 165);
  values.set('oil_pressure', 210 + pull * 240 + 3 * wobble(2, 0.9));
  values.set('oil_temp', 88 + pull * 6);
  values.set('coolant_temp', 82 + 2 * wobble(3, 19));
  values.set('battery_voltage', 13.8 - pull * 0.4);
  const temps = new Map<number, number>();
  for (const { cylinder, exhaustTemp } of view.engine?.cylinders ?? []) {
    if (exhaustTemp)
      temps.set(cylinder, 520 + pull * 215 + 11 * wobble(cylinder, 13) + (cylinder === 5 ? 24 * pull : 0) + 1.5 * wobble(cylinder, 0.5));
  }
  for (const [cylinder, temp] of temps) {
    const others = [...temps].filter(([n]) => n !== cylinder).map(([, value]) => value);
    values.set(`exhaust_temp_${cylinder}`, temp);
    values.set(`exhaust_deviation_${cylinder}`, temp - median(others));
    const rate = 215 * Math.sin((4 * Math.PI * t) / 40) * ((2 * Math.PI) / 40) * (pull > 0 ? 1 : 0);
    values.set(`exhaust_rate_${cylinder}`, rate);
    if (rate > 15) values.set(`exhaust_time_to_limit_${cylinder}`, (780 - temp) / rate);
  }
  const spread = (list: number[]) => (list.length > 1 ? Math.max(...list) - Math.min(...list) : 0);
  values.set('exhaust_spread', spread([...temps.values()]));
  for (const bank of view.engine?.banks ?? []) {
    values.set(`exhaust_spread_${bank.name}`, spread(bank.cylinders.flatMap((n) => temps.get(n) ?? [])));
  }
  view.injectorSets.forEach((set, k) => {
    const pulse = 2.2 + pull * (k === 0 ? 12 : 7);
    values.set(`${set.name}_pulse`, pulse);
    values.set(`duty_${set.name}`, (pulse * speed) / 1200);
    values.set(`fuel_delta_${set.name}`, 300 - pull * 9 + 2 * wobble(k, 1.1));
  });
  return values;
}

function median(list: number[]): number {
  const sorted = [...list].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  if (sorted.length === 0) return 0;
  return sorted.length % 2 === 1 ? (sorted[middle] ?? 0) : ((sorted[middle - 1] ?? 0) + (sorted[middle] ?? 0)) / 2;
}
