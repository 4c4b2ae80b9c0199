// Names of the channels that are made without a formula: a user's channel may not take them.

/** What the names are made from. */
export interface BuiltInParts {
  buses: Iterable<string>;
  banks: Iterable<string>;
  injectorSets: Iterable<string>;
  cylinders: number;
}

/** A name of the vehicle file as part of a channel's name: `hull-bus` becomes `hull_bus`. */
export function toNamePart(name: string): string {
  return name.replaceAll('-', '_');
}

/** Every built-in channel name of such a vehicle, with its unit. */
export function builtInNames({ buses, banks, injectorSets, cylinders }: BuiltInParts): Map<string, string> {
  const names = new Map<string, string>([
    ['engine_running', ''],
    ['engine_cranking', ''],
    ['flow_total', 'cc/min'],
  ]);
  for (const suffix of ['', ...[...banks].map((bank) => `_${toNamePart(bank)}`)]) {
    names.set(`exhaust_spread${suffix}`, 'K');
    names.set(`exhaust_rms${suffix}`, 'K');
    names.set(`exhaust_count${suffix}`, 'count');
  }
  for (let n = 1; n <= cylinders; n++) {
    names.set(`exhaust_deviation_${n}`, 'K');
    names.set(`exhaust_rate_${n}`, 'K/s');
    names.set(`exhaust_time_to_limit_${n}`, 's');
    names.set(`exhaust_gas_estimate_${n}`, 'degC');
  }
  for (const set of injectorSets) {
    names.set(`fuel_delta_${toNamePart(set)}`, 'kPa');
    names.set(`duty_${toNamePart(set)}`, '%');
    names.set(`flow_${toNamePart(set)}`, 'cc/min');
  }
  for (const bus of buses) {
    names.set(`bus_load_${toNamePart(bus)}`, '%');
    names.set(`bus_errors_${toNamePart(bus)}`, 'count');
  }
  return names;
}
