// Torque and power by engine speed from a channel or a log, uncorrected beside SAE J1349; figures by hand.
import { describe, expect, it } from 'vitest';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { findPowerCurve } from '../../server/dyno/power-curve.ts';
import type { Pull } from '../../server/dyno/pulls.ts';
import { drawn, seriesOf } from '../doubles/drawn-series.ts';

function vehicleWith(signals: { name: string; unit: string }[], barometer?: object): Vehicle {
  return {
    engine: { cycle: 'four-stroke', roles: { speed: 'rpm' }, exhaustTemps: [], ...(barometer ? { barometer } : {}) },
    buses: [{ frames: [{ signals }] }],
    derived: [],
    injectorSets: [],
    limits: {},
  } as unknown as Vehicle;
}

const pull: Pull = { kind: 'sweep', from: 0, to: 9.9, speedFrom: 3000, speedTo: 6000, complete: true };
/** 6000 rpm from 5 s on. */
const rpm = drawn('rpm', 'rpm', 10, (s) => (s < 5 ? 3100 : 6100));
const torque = { name: 'brake_torque', unit: 'Nm' };

describe('the power curve of a pull', () => {
  it('is not there without torque, power or a log', () => {
    expect(findPowerCurve(seriesOf([rpm], 10), vehicleWith([]), pull, {}, [])).toBeUndefined();
  });

  it('comes from a torque channel: 200 Nm at 6100 rpm are 127.8 kW', () => {
    const curve = findPowerCurve(seriesOf([rpm, drawn('brake_torque', 'Nm', 10, () => 200)], 10), vehicleWith([torque]), pull, {}, []);
    expect(curve).toMatchObject({ source: 'brake_torque', correction: null });
    expect(curve?.peakPower).toMatchObject({ speed: 6125, torqueNm: 200, powerKw: 127.8, correctedKw: null });
    expect(curve?.notJudged.map(({ what }) => what)).toEqual(['corrected power', 'corrected power']);
  });

  it('reads lbft and hp: 150 lbft are 203.4 Nm, 100 hp at 3100 rpm 229.7 Nm', () => {
    const inLbft = findPowerCurve(
      seriesOf([rpm, drawn('torque', 'lbft', 10, () => 150)], 10),
      vehicleWith([{ name: 'torque', unit: 'lbft' }]),
      pull,
      {},
      [],
    );
    expect(inLbft?.peakTorque?.torqueNm).toBe(203.4);
    const inHp = findPowerCurve(
      seriesOf([rpm, drawn('wheel_power', 'hp', 10, () => 100)], 10),
      vehicleWith([{ name: 'wheel_power', unit: 'hp' }]),
      pull,
      {},
      [],
    );
    expect(inHp?.rows[0]).toMatchObject({ speed: 3125, torqueNm: 229.7 });
  });

  it('stands corrected beside as measured: 97 kPa and 30 °C dry are 1.034', () => {
    const curve = findPowerCurve(
      seriesOf([rpm, drawn('brake_torque', 'Nm', 10, () => 200)], 10),
      vehicleWith([torque]),
      pull,
      { stationKpa: 97, roomC: 30, humidityPercent: 0 },
      [],
    );
    expect(curve?.correction?.factor).toBeCloseTo(1.03439, 4);
    expect(curve?.peakTorque).toMatchObject({ torqueNm: 200, correctedNm: 206.9 });
  });

  it('takes the barometer of the vehicle where none was typed, and says when it follows from altitude', () => {
    const curve = findPowerCurve(
      seriesOf([rpm, drawn('brake_torque', 'Nm', 10, () => 200)], 10),
      vehicleWith([torque], { valueKpa: 95, altitudeM: 540 }),
      pull,
      { roomC: 25 },
      [],
    );
    expect(curve?.correction?.stationKpa).toBe(95);
    expect(curve?.correction?.notes.join()).toMatch(/humidity was not given.*altitude alone/);
  });

  it('gives the word to a log before a channel, laid on session time', () => {
    const log = { timeS: [0, 1, 2, 3], speedRpm: [3000, 3000, 3000, 3000], torqueNm: [90, 110, 90, 110] };
    const curve = findPowerCurve(seriesOf([rpm, drawn('brake_torque', 'Nm', 10, () => 200)], 10), vehicleWith([torque]), pull, {}, [
      { log, name: 'run-3.csv', zeroUs: 2e6 },
    ]);
    expect(curve).toMatchObject({ source: 'run-3.csv', rows: [{ speed: 3125, torqueNm: 100 }] });
  });
});
