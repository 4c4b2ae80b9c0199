// bus-definitions/j1939-engine against worked values: from the tests of an independent public decoder, and recorded on trucks.
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { qualityNames } from '../../server/channels/quality.ts';
import { SampleBatch } from '../../server/channels/sample-batch.ts';
import { compileDecoder } from '../../server/codec/decoder.ts';
import { loadVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';

const { vehicle, problems } = await loadVehicle('bus-definitions/j1939-engine');

function decode(id: number, hex: string): Record<string, number | string> {
  const bytes = Uint8Array.from(Buffer.from(hex, 'hex'));
  const batch = new FrameBatch();
  batch.push(0, 0, id, frameFlag.extended, bytes, 0, bytes.length);
  const out = new SampleBatch();
  compileDecoder(vehicle as Vehicle).decode(batch, 0, 1, out);
  const signals = vehicle?.buses.flatMap((bus) => bus.frames).flatMap((frame) => frame.signals) ?? [];
  return Object.fromEntries(
    Array.from({ length: out.count }, (_, i) => {
      const quality = qualityNames[out.quality[i] as number] as string;
      return [signals[out.channel[i] as number]?.name, quality === 'ok' ? (out.value[i] as number) : quality];
    }),
  );
}

describe('the J1939 engine', () => {
  it('is a vehicle without faults or warnings', () => {
    expect(problems).toEqual([]);
  });

  it('names the SPN of every signal', () => {
    for (const file of ['j1939-engine', 'j1939-exhaust']) {
      const lines = readFileSync(`bus-definitions/j1939-engine/devices/${file}.yaml`, 'utf8').split('\n');
      for (const line of lines.filter((one) => one.includes('- { name:'))) expect(line).toMatch(/# .*SPN \d+|# SPN \d+/);
    }
  });

  it.each([
    ['engine speed and torque', 0x0cf00400, 'F07D84B0300000FF', { engine_speed: 1558, engine_torque: 7 }],
    [
      'engine speed as recorded on a truck, at another priority',
      0x18f00400,
      '219B9BDD2F000F9B',
      { engine_speed: 1531.625, engine_torque: 30 },
    ],
    [
      'exhaust ports 1 to 4',
      0x18fea300,
      '2044E043A0446044',
      { exhaust_temp_1: 272, exhaust_temp_2: 270, exhaust_temp_3: 276, exhaust_temp_4: 274 },
    ],
    ['nothing from a frame that is too short', 0x18fea200, '22202220', {}],
    ['coolant', 0x18feee00, '84FFFFFFFFFFFFFF', { coolant_temp: 92, fuel_temp: 'missing', oil_temp: 'missing' }],
    // By hand from the table's scalings: 0x64 × 4 kPa; 0x32 × 2 kPa; 0x0118 × 0.05 V.
    ['oil pressure', 0x18feef00, 'FFFFFF64FFFFFFFF', { oil_pressure: 400, fuel_pressure: 'missing', oil_level: 'missing' }],
    ['boost', 0x18fef600, 'FF32FFFFFFFFFFFF', { boost_pressure: 100, intake_temp: 'missing', exhaust_gas_temp: 'missing' }],
    ['battery', 0x18fef700, 'FFFFFFFF1801FFFF', { battery_voltage: 14, charging_voltage: 'missing' }],
  ])('reads %s', (_, id, hex, values) => {
    expect(decode(id, hex)).toEqual(values);
  });

  it('reads 0 degC, 800 degC, the highest valid value and the error range of an exhaust port', () => {
    const { exhaust_temp_1, exhaust_temp_2, exhaust_temp_3, exhaust_temp_4 } = decode(0x18fea300, '20222086FFFA00FB');
    expect([exhaust_temp_1, exhaust_temp_2, exhaust_temp_3, exhaust_temp_4]).toEqual([0, 800, 1734.96875, 'fault']);
  });
});
