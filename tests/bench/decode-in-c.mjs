// The reference of the decoding benchmark: a plain C decoder written for the same layouts, with the same length and quality checks.
import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

/** Compiles the reference and writes its input; `run()` decodes all frames once and returns { seconds, samples, sum, bad }. */
export function buildReference(vehicle, batch, framesPerCall) {
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-bench-'));
  const source = join(folder, 'decode.c');
  const program = join(folder, 'decode');
  const input = join(folder, 'frames.bin');
  writeFileSync(source, sourceText(vehicle, framesPerCall));
  const built = spawnSync('gcc', ['-O2', '-ffp-contract=off', '-o', program, source], { encoding: 'utf8' });
  if (built.status !== 0) throw new Error(`gcc is needed for the reference: ${built.error?.message ?? built.stderr}`);
  writeFileSync(input, frameBytes(batch));
  return {
    run() {
      const done = spawnSync(program, [input, String(batch.count)], { encoding: 'utf8' });
      const [seconds, samples, sum, bad] = done.stdout.trim().split(' ').map(Number);
      return { seconds, samples, sum, bad };
    },
    remove: () => rmSync(folder, { recursive: true }),
  };
}

/** Columns one behind the other, as the C program maps them: time, id, flags, length, 8 data bytes a frame. */
function frameBytes({ count, timeUs, id, flags, length, data }) {
  const view = (array, n) => Buffer.from(array.buffer, array.byteOffset, n * array.BYTES_PER_ELEMENT);
  return Buffer.concat([view(timeUs, count), view(id, count), view(flags, count), view(length, count), view(data, count * 8)]);
}

function sourceText(vehicle, framesPerCall) {
  const frames = vehicle.buses[0].frames;
  return `#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#define ROOM (${framesPerCall} * 8)
static uint16_t channel[ROOM]; static double time_us[ROOM], value[ROOM]; static uint8_t quality[ROOM];
static size_t n;
static uint32_t keys[${slots(frames)}]; static int32_t entries[${slots(frames)}];
static double decoded[${frames.length}], too_short[${frames.length}], longer[${frames.length}]; static double unknown;
static const uint8_t lengths[] = {${frames.map((frame) => frame.lengthBytes).join()}};
static inline void put(uint16_t c, double t, double v, uint8_t q) { channel[n] = c; time_us[n] = t; value[n] = v; quality[n] = q; n++; }
${frames.map(frameText).join('')}
typedef void (*reader)(const uint8_t *, double);
static const reader readers[] = {${frames.map((_, f) => `read_${f}`).join()}};
static uint32_t slot(uint32_t key) { return (key * 0x9e3779b1u) >> ${32 - Math.log2(slots(frames))}; }
static void enter(uint32_t key, int32_t entry) {
  uint32_t s = slot(key);
  while (entries[s] >= 0) s = (s + 1) & ${slots(frames) - 1};
  keys[s] = key; entries[s] = entry;
}
static int32_t find(uint32_t key) {
  for (uint32_t s = slot(key); entries[s] >= 0; s = (s + 1) & ${slots(frames) - 1}) if (keys[s] == key) return entries[s];
  return -1;
}
static void decode(const double *t, const uint32_t *id, const uint8_t *flags, const uint8_t *length, const uint8_t *data, size_t from, size_t to) {
  n = 0;
  for (size_t i = from; i < to; i++) {
    if (flags[i] & 6) continue;
    int32_t f = find(id[i] | (uint32_t)(flags[i] & 1) << 29);
    if (f < 0) { unknown++; continue; }
    if (length[i] != lengths[f]) {
      if (length[i] < lengths[f]) { too_short[f]++; continue; }
      longer[f]++;
    }
    decoded[f]++;
    readers[f](data + 8 * i, t[i]);
  }
}
int main(int argc, char **argv) {
  size_t count = strtoul(argv[2], 0, 10);
  double *t = malloc(count * 8); uint32_t *id = malloc(count * 4);
  uint8_t *flags = malloc(count), *length = malloc(count), *data = malloc(count * 8);
  FILE *in = fopen(argv[1], "rb");
  if (fread(t, 8, count, in) != count || fread(id, 4, count, in) != count || fread(flags, 1, count, in) != count
    || fread(length, 1, count, in) != count || fread(data, 8, count, in) != count) return 1;
  memset(entries, 0xff, sizeof entries);
${frames.map((frame, f) => `  enter(${frame.id}u | ${frame.extended ? 1 : 0}u << 29, ${f});\n`).join('')}
  double best = 1e9, sum = 0; size_t samples = 0, bad = 0;
  for (int pass = 0; pass < 3; pass++) {
    struct timespec a, b; double seconds = 0; sum = 0; samples = 0; bad = 0;
    for (size_t from = 0; from < count; from += ${framesPerCall}) {
      size_t to = from + ${framesPerCall} < count ? from + ${framesPerCall} : count;
      clock_gettime(CLOCK_MONOTONIC, &a);
      decode(t, id, flags, length, data, from, to);
      clock_gettime(CLOCK_MONOTONIC, &b);
      seconds += (double)(b.tv_sec - a.tv_sec) + 1e-9 * (double)(b.tv_nsec - a.tv_nsec);
      samples += n;
      for (size_t i = 0; i < n; i++) { sum += value[i] * (double)(channel[i] + 1); bad += quality[i]; }
    }
    if (seconds < best) best = seconds;
  }
  printf("%.9f %zu %.17g %zu\\n", best, samples, sum, bad);
  return 0;
}
`;
}

function slots(frames) {
  return 2 ** Math.ceil(Math.log2(frames.length * 3));
}

function frameText(frame, f) {
  const little = frame.signals.some(({ byteOrder }) => byteOrder === 'little');
  const big = frame.signals.some(({ byteOrder }) => byteOrder === 'big');
  let text = `static void read_${f}(const uint8_t *d, double t) {\n  uint64_t x; memcpy(&x, d, 8);\n`;
  if (big) text += '  uint64_t y = __builtin_bswap64(x);\n';
  if (!little) text += '  (void)x;\n';
  for (const signal of frame.signals) text += signalText(frame, signal);
  return `${text}}\n`;
}

function signalText(frame, signal) {
  const conditions = signal.when.map(({ signal: name, ranges }) => {
    const selector = frame.signals.find((other) => other.name === name);
    return `${rawText({ ...selector, sign: 'unsigned' })} >= ${ranges[0].from}u && ${rawText({ ...selector, sign: 'unsigned' })} <= ${ranges[0].to}u`;
  });
  const { channel, factor, offset, fault, notAvailable, min, max, bitLength } = signal;
  const pattern = `((uint32_t)r & ${2 ** bitLength - 1}u)`;
  let text = `  ${conditions.length > 0 ? `if (${conditions.join(' && ')}) ` : ''}{ int32_t r = ${rawText(signal)};\n`;
  text += '    ';
  if (fault.length > 0) text += `if (${pattern} == ${fault[0].from}u) put(${channel}, t, 0, 2); else `;
  if (notAvailable.length > 0) text += `if (${pattern} == ${notAvailable[0].from}u) put(${channel}, t, 0, 3); else `;
  const range = min === undefined ? '0' : `v < ${min}.0 || v > ${max}.0`;
  return `${text}{ double v = (double)r * ${double(factor)} + ${double(offset)}; put(${channel}, t, v, ${range}); } }\n`;
}

function rawText({ startBit, bitLength, byteOrder, sign }) {
  const left = (startBit & ~7) | (7 - (startBit & 7));
  const word = byteOrder === 'little' ? 'x' : 'y';
  const shift = byteOrder === 'little' ? startBit : 64 - left - bitLength;
  if (sign === 'signed') return `(int32_t)((int64_t)(${word} << ${64 - shift - bitLength}) >> ${64 - bitLength})`;
  return `(int32_t)((${word} >> ${shift}) & ${2 ** bitLength - 1}u)`;
}

function double(value) {
  return Number.isInteger(value) ? `${value}.0` : String(value);
}
