// A process to be killed: records pipeline inputs as another process hands them over. Runs what is built.
//
// Arguments: data folder; a file with definition sets (JSON: a list of lists of files), the first of them in force at the start.
// Standard input: chunks of the journal's encoding, each behind its length in four bytes, little-endian.
import { readFileSync } from 'node:fs';
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';
import { InputLog } from '../../dist/server/recording/input-log.js';
import { visitJournal } from '../../dist/server/recording/journal.js';
import { Recorder } from '../../dist/server/recording/recorder.js';

const [data, sets] = process.argv.slice(2);
const vehicles = JSON.parse(readFileSync(sets, 'utf8')).map((files) => parseVehicle(files).vehicle);
const recorder = await Recorder.open(data, vehicles[0]);
let left = Buffer.alloc(0);
process.stdin.on('data', (bytes) => {
  left = Buffer.concat([left, bytes]);
  while (left.length >= 4 && left.length >= 4 + left.readUInt32LE(0)) {
    const end = 4 + left.readUInt32LE(0);
    const log = new InputLog();
    visitJournal(left.subarray(4, end), (hash) => vehicles.find((vehicle) => vehicle.hash === hash), log);
    for (const input of log.inputs()) recorder.take(input);
    left = left.subarray(end);
  }
});
process.stdout.write('ready\n');
