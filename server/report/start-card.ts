// The start card: what has to be read, and what stops the engine, on one sheet for the day of a first start. Pure.
import { withUsersLimits } from '../checks/check-limits.ts';
import type { LimitsOf } from '../checks/usual-limits.ts';
import type { CheckResult } from '../checks/verdict.ts';
import type { AlarmRule, InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import { html, type Markup, type Piece } from './markup.ts';
import { engineWords, facts, notJudgedList, section, table, toPaper } from './paper.ts';

export function toStartCard(vehicle: Vehicle, madeWallMs: number): string {
  const unread: CheckResult = { check: 'first-start', frames: 0, seconds: 0, verdicts: [], notJudged: [] };
  const limits = withUsersLimits('first-start', vehicle, unread);
  const head = html`<p class="lead">${[engineWords(vehicle), vehicle.fuel.name, batteryWords(vehicle)].filter(Boolean).join(', ')}</p>`;
  const sections = [
    peopleSection(vehicle),
    stopSection(vehicle, limits),
    readSection(vehicle, limits),
    orderSection(limits),
    alarmsSection(vehicle.alarms),
  ];
  const foot = `from the definitions ${vehicle.hash.slice(0, 12)}`;
  const missing = missingLines(vehicle, unread);
  return toPaper({ title: `Start card, ${vehicle.name}`, head, foot, numbersAt: '#/live' }, [...sections, missing], madeWallMs);
}

type StartLimits = LimitsOf<'first-start'>;

function batteryWords({ electrical: { nominalV, chemistry, charging } }: Vehicle): string {
  const said = [nominalV !== undefined && `${nominalV} V`, chemistry, charging === false && 'no alternator'].filter(Boolean);
  return said.length > 0 ? `battery ${said.join(' ')}` : '';
}

const blank = html`<span class="blank"></span>`;

function peopleSection({ fuel }: Vehicle): Markup {
  const methanol = (fuel.parts.get('methanol') ?? 0) > 0;
  return section(
    'People and place',
    facts([
      ['Date, place', blank],
      ['At the key', blank],
      ['At the fuel shut-off', blank],
      ['With the extinguisher', blank],
      ['Reads this screen', blank],
      ['Hand sign for stop', blank],
    ]),
    html`<ul><li>People clear of the plane of rotation: flywheel, clutch, blower belt, fan.</li>
<li>Doors open, extraction on. Ear defenders: watch the screen and the hand sign.</li>
${methanol && html`<li><b>Methanol burns with a flame that is not seen in daylight.</b></li>`}
<li>The tool only listens. It can not shut the engine down: somebody must.</li></ul>`,
  );
}

function stopSection(vehicle: Vehicle, limits: StartLimits): Markup {
  const { exhaustTempC, exhaustSpreadK } = vehicle.limits;
  const nominal = vehicle.electrical.nominalV;
  const rows: [what: string, limit: string][] = [
    [
      'Oil pressure once it runs',
      `less than ${limits.oilRunningKpa} kPa after ${limits.oilRunningWithinS} s, or gone for ${limits.oilLostForMs} ms`,
    ],
    ...vehicle.injectorSets.flatMap((set): [string, string][] => {
      const band = fuelBand(set, limits);
      return band ? [[`Fuel pressure delta, ${set.name}`, `outside ${band} for ${limits.fuelDeltaForMs} ms`]] : [];
    }),
    ...hotRows(vehicle, limits),
    ...(exhaustTempC === undefined ? [] : [['Exhaust temperature, indicated', `above ${exhaustTempC} °C`] as [string, string]]),
    ...(exhaustSpreadK === undefined
      ? []
      : [['Spread between cylinders, settled under load', `above ${exhaustSpreadK} K`] as [string, string]]),
    ['A cylinder stays cold', coldWords(vehicle, limits)],
    ['Fire, leak, knocking, smoke', 'at once'],
  ];
  if (nominal !== undefined)
    rows.push(['Battery while cranking', `below ${((limits.crankingVolts * nominal) / 12).toFixed(1)} V: charge it before the next try`]);
  return section('Shut down now', pairs(rows));
}

/** A stop costs a flat-tappet cam another start: then the user's patience decides. */
function coldWords({ engine }: Vehicle, limits: StartLimits): string {
  const breaksIn = engine?.breakIn === 'flat-tappet';
  const seconds = breaksIn ? limits.coldStopBreakInS : limits.coldStopAfterS;
  const since = seconds > 0 ? `for ${seconds} s once it is named on the screen` : 'named on the screen';
  return `${since}: unburnt fuel washes its bore and fills the exhaust${breaksIn ? '; another start wears the cam, and it must not idle' : ''}`;
}

function hotRows({ engine }: Vehicle, limits: StartLimits): [string, string][] {
  const rows: [string, string][] = [];
  if (engine?.roles.coolantTemp) rows.push(['Coolant', `above ${limits.coolantMostC} °C for ${limits.hotForS} s`]);
  if (engine?.roles.oilTemp) rows.push(['Oil temperature', `above ${limits.oilMostC} °C for ${limits.hotForS} s`]);
  return rows;
}

function fuelBand(set: InjectorSet, limits: StartLimits): string | undefined {
  if (set.targetKpa === undefined) return undefined;
  const band = Math.max(limits.fuelDeltaShare * set.targetKpa, limits.fuelDeltaLeastKpa);
  return `${Math.round(set.targetKpa - band)} to ${Math.round(set.targetKpa + band)} kPa`;
}

function pairs(rows: readonly (readonly [string, string])[]): Markup {
  return html`<table class="facts">${rows.map(([what, limit]) => html`<tr><th scope="row">${what}</th><td>${limit}</td></tr>`)}</table>`;
}

function readSection(vehicle: Vehicle, limits: StartLimits): Markup {
  const { nominalV, charging } = vehicle.electrical;
  const scale = (nominalV ?? 12) / 12;
  const rows: [what: string, expected: string][] = [
    ['Oil pressure while cranking, fuel and spark off', `at least ${limits.oilCrankingKpa} kPa within ${limits.oilCrankedForS} s`],
    [
      'Battery at its lowest while cranking',
      nominalV === undefined ? 'not judged' : `at least ${(limits.crankingVolts * scale).toFixed(1)} V`,
    ],
    ['Seconds until it fired', ''],
    ['Oil pressure came after', `within ${limits.oilRunningWithinS} s`],
    ...vehicle.injectorSets.map(({ name, targetKpa }): [string, string] => [
      `Fuel pressure delta, ${name}`,
      targetKpa === undefined ? 'not judged' : `${targetKpa} kPa`,
    ]),
  ];
  if (charging === true)
    rows.push(['Charging', `${(limits.chargingFromVolts * scale).toFixed(1)} to ${(limits.chargingToVolts * scale).toFixed(1)} V`]);
  rows.push(['Cylinders, in the order in which they lit', '']);
  return section(
    'To write down',
    table(
      ['What', 'Expected', 'Read'],
      rows.map(([what, expected]) => html`<tr><th scope="row">${what}</th><td>${expected}</td><td>${blank}</td></tr>`),
    ),
  );
}

function orderSection(limits: StartLimits): Markup {
  const steps: Piece[] = [
    'Oil, water, fuel, lines and fittings seen; probes tight; belts and loose things; fuel and spark off, plugs out.',
    `Crank at most ${limits.crankedMostS} s, rest ${limits.restedS} s, until oil pressure has come and is steady. No fire before that.`,
    'Plugs in, fuel on, eyes on every fitting while it primes and holds.',
    'Everybody knows the hand sign. Fire it.',
    'Oil pressure first; then fuel pressure; then every cylinder. Without load.',
  ];
  return section('In this order', html`<ol>${steps.map((step) => html`<li>${step}</li>`)}</ol>`);
}

function alarmsSection(alarms: readonly AlarmRule[]): Markup {
  if (alarms.length === 0) return section('Alarms', html`<p class="quiet">The vehicle file has none.</p>`);
  const rows = alarms.map(
    ({ name, when, while: gate, severity, advice }) =>
      html`<tr class="${severity}"><td><b>${name}</b> (${severity})</td><td><code>${when}</code>${gate !== undefined && html` while <code>${gate}</code>`}</td><td>${advice}</td></tr>`,
  );
  return section('Alarms', table(['Alarm', 'When', 'Do'], rows));
}

/** What the first start would not judge on this vehicle. */
function missingLines(vehicle: Vehicle, { notJudged }: CheckResult): Piece {
  const roles = vehicle.engine?.roles;
  const lines = [
    ...(notJudged ?? []),
    ...(roles?.speed ? [] : [{ what: 'the start at all', line: 'engine: { speed: <channel of engine speed> }' }]),
    ...(roles?.oilPressure ? [] : [{ what: 'oil pressure', line: 'engine: { oil_pressure: <channel> }' }]),
    ...(vehicle.engine?.exhaustTemps.length
      ? []
      : [{ what: 'whether every cylinder is lit', line: 'engine: { exhaust_temps: { 1: { channel: ... } } }' }]),
    ...(vehicle.electrical.nominalV === undefined ? [{ what: 'the battery', line: 'electrical: { nominal: 12 V }' }] : []),
  ];
  return lines.length > 0 && section('Not judged on this vehicle', notJudgedList(lines));
}
