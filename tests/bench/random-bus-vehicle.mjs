// Vehicles that nobody drew: one to three buses, two to twelve devices, frames of both id formats, and a trunk in any order with the listener anywhere.

/** Numbers in [0, 1) from a seed (mulberry32, public domain). */
export function randomFrom(seed) {
  let state = (seed * 2654435761) >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

export const pick = (random, list) => list[Math.floor(random() * list.length)];

export function shuffled(random, list) {
  const left = [...list];
  return list.map(() => left.splice(Math.floor(random() * left.length), 1)[0]);
}

const between = (random, low, high) => low + Math.floor(random() * (high - low + 1));
const periodsMs = [10, 20, 20, 50, 50, 100, 100, 200, 500, 1000];
/** Of the bit rate that all periodic frames together may take. */
const loadMax = 0.5;

/** The definition files of the vehicle of this seed. */
export function randomVehicleFiles(seed) {
  const random = randomFrom(seed + 77_000);
  const files = [];
  const buses = [];
  const trunks = [];
  const count = between(random, 1, 3);
  for (let bus = 0; bus < count; bus++) {
    const name = `bus_${'abc'[bus]}`;
    const bitRate = pick(random, [125_000, 250_000, 500_000, 500_000, 1_000_000]);
    const ids = new Set();
    const room = { bits: loadMax * bitRate };
    const devices = Array.from({ length: between(random, 2, 12) }, (_, i) => `node-${'abc'[bus]}${i + 1}`);
    for (const [i, device] of devices.entries()) files.push(deviceFile(random, device, i, ids, room));
    buses.push(`  ${name}: { bit_rate: ${bitRate / 1000} kbit/s, interface: can${bus}, devices: [${devices.join(', ')}] }`);
    trunks.push(`  ${name}: [${trunkOf(random, devices, `plug ${'abc'[bus]}`).join(', ')}]`);
  }
  files.push({ path: 'vehicle.yaml', text: `vehicle: Trial ${seed}\nbuses:\n${buses.join('\n')}\ntrunk:\n${trunks.join('\n')}\n` });
  return files;
}

function trunkOf(random, devices, plug) {
  const order = shuffled(random, devices).map((name) =>
    random() < 0.5 ? name : `{ device: ${name}, stub: ${(random() * 0.5).toFixed(2)} m }`,
  );
  const listenerAt = between(random, 0, order.length);
  if (random() < 0.9) order.splice(listenerAt, 0, random() < 0.5 ? `{ listener: ${plug} }` : `{ listener: ${plug}, stub: 0.3 m }`);
  const terminated = (item) => {
    if (random() < 0.5 || item.includes('listener')) return undefined;
    return item.startsWith('{') ? item.replace(' }', ', terminator: inside }') : `{ device: ${item}, terminator: inside }`;
  };
  const first = terminated(order[0]);
  if (first) order[0] = first;
  else order.unshift('terminator');
  const last = terminated(order.at(-1));
  if (last) order[order.length - 1] = last;
  else order.push('terminator');
  return order;
}

/** At least one frame with a period; no more than there is room for on the bus. */
function deviceFile(random, device, index, ids, room) {
  const prefix = device.replace('-', '_');
  const frames = [];
  const groups = random() < 0.3;
  const count = between(random, 1, 6);
  for (let i = 0; i < count; i++) {
    const length = between(random, 2, 8);
    let period = i > 0 && random() < 0.15 ? undefined : pick(random, periodsMs);
    const bits = (80 + 10 * length) * 1.1;
    while (period !== undefined && period < 1000 && bits * (1000 / period) > room.bits / 6) period *= 2;
    if (period !== undefined) room.bits -= bits * (1000 / period);
    frames.push(frameText(random, `${prefix}_f${i + 1}`, groups ? groupOf(random, index, ids) : idOf(random, ids), length, period));
  }
  return { path: `devices/${device}.yaml`, text: `device: ${device}\ntitle: ${device}\nframes:\n${frames.join('')}` };
}

function idOf(random, ids) {
  for (;;) {
    const id = between(random, 0x080, 0x700);
    if (ids.has(id)) continue;
    ids.add(id);
    return [`id: 0x${id.toString(16).toUpperCase()}`];
  }
}

function groupOf(random, index, ids) {
  for (;;) {
    const pgn = 0xf000 + between(random, 0x10, 0xf00);
    if (ids.has(pgn)) continue;
    ids.add(pgn);
    return [`pgn: 0x${pgn.toString(16).toUpperCase()}`, `source_address: ${0x10 + index}`];
  }
}

function frameText(random, name, id, length, period) {
  const counted = random() < 0.4 && length >= 3;
  const lines = [`name: ${name}`, ...id, `length: ${length}`];
  if (period !== undefined) lines.push(`period: ${period} ms`);
  if (counted) lines.push(`counter: ${name}_seq`);
  const bits = pick(random, [4, 8, 8, 16]);
  const signals = [`{ name: ${name}_v, bytes: 0..1, factor: 0.1, unit: kPa }`];
  if (counted) signals.push(`{ name: ${name}_seq, start_bit: 16, bit_length: ${length >= 4 ? bits : Math.min(8, bits)} }`);
  return `  - ${lines.join('\n    ')}\n    signals:\n${signals.map((signal) => `      - ${signal}\n`).join('')}`;
}
