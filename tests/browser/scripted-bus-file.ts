// A small vehicle and a recorded file of its bus, in which everything that happens happens at a known second.
import { mkdirSync, mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

/** Second of the recorded file at which the box grows hot and its alarm comes. */
export const hotFromS = 6;
export const hotUntilS = 7;

const vehicle = `
vehicle: Test bench
buses:
  bench: { bit_rate: 500 kbit/s, interface: can0, devices: [box] }
engine:
  cycle: four-stroke
  cylinders: 2
  banks: { main: [1, 2] }
  firing_order: [1, 2]
  speed: engine_speed
  exhaust_temps: { 1: { channel: exhaust_temp_1, place: port }, 2: { channel: exhaust_temp_2, place: port } }
limits: { exhaust_temp: 780 degC }
alarms:
  - { name: box hot, when: "box_temp > 60", severity: warning, latch: true, advice: Let the box cool }
`;

const box = `
device: box
title: Bench box
frames:
  - name: temps
    id: 0x310
    length: 8
    period: 20 ms
    signals:
      - { name: exhaust_temp_1, bytes: 0..1, byte_order: big, factor: 0.1, offset: -50, unit: degC, fault: 0xFFFF }
      - { name: exhaust_temp_2, bytes: 2..3, byte_order: big, factor: 0.1, offset: -50, unit: degC, fault: 0xFFFF }
      - { name: engine_speed, bytes: 4..5, byte_order: big, unit: rpm }
      - { name: box_temp, bytes: 6, unit: degC }
`;

export interface ScriptedBusFile {
  vehicle: string;
  file: string;
  /** For `serve`. */
  args: string[];
}

/** Writes the folder and `seconds` of frames, 50 a second. Probe 2 is open; the rest moves. */
export function writeScriptedBus(seconds: number): ScriptedBusFile {
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-vehicle-'));
  mkdirSync(join(folder, 'devices'));
  writeFileSync(join(folder, 'vehicle.yaml'), vehicle);
  writeFileSync(join(folder, 'devices', 'box.yaml'), box);
  const lines: string[] = [];
  for (let i = 0; i < seconds * 50; i++) {
    const t = i / 50;
    const temp = Math.round((600 + 100 * Math.sin(t) + 50) * 10);
    const speed = Math.round(3000 + 1500 * Math.sin(t / 2));
    const hot = t >= hotFromS && t < hotUntilS ? 90 : 30;
    const word = (value: number) => value.toString(16).toUpperCase().padStart(4, '0');
    const bytes = `${word(temp)}FFFF${word(speed)}${hot.toString(16).toUpperCase().padStart(2, '0')}00`;
    lines.push(`(${(1_700_000_000 + t).toFixed(6)}) can0 310#${bytes}`);
  }
  const file = join(folder, 'bench.log');
  writeFileSync(file, `${lines.join('\n')}\n`);
  return { vehicle: folder, file, args: ['--vehicle', folder, '--bus', `bench=file:${file}`] };
}
