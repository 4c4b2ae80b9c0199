// Definition sets of a session file: stored once by content, and loaded back when the record is read.
import { deflateSync } from 'node:zlib';
import type { DefinitionFile, Vehicle } from '../definitions/vehicle.ts';
import { inflated } from './bytes.ts';
import type { Connection } from './database.ts';
import type { VehicleByHash } from './journal.ts';

/** Stores a definition set unless it is there. */
export function storeDefinitions(db: Connection, vehicle: Vehicle): void {
  const files = deflateSync(Buffer.from(JSON.stringify(vehicle.files)));
  db.prepare('INSERT OR IGNORE INTO definitions (hash, vehicle, files) VALUES (?, ?, ?)').run(vehicle.hash, vehicle.name, files);
}

/** The files of a stored set. @throws RangeError when it isn't there. */
export function storedFiles(db: Connection, hash: string): DefinitionFile[] {
  const files = db.prepare('SELECT files FROM definitions WHERE hash = ?').pluck().get(hash) as Buffer | undefined;
  if (!files) throw new RangeError(`definition set ${hash} is not in the session`);
  return JSON.parse(inflated(files).toString()) as DefinitionFile[];
}

/** Resolves definition sets by hash, each once: those known already, else loaded from the files in the session. */
export function vehiclesOf(db: Connection, load: (files: DefinitionFile[]) => Vehicle, known = new Map<string, Vehicle>()): VehicleByHash {
  return (hash) => {
    let vehicle = known.get(hash);
    if (!vehicle) {
      vehicle = load(storedFiles(db, hash));
      known.set(hash, vehicle);
    }
    return vehicle;
  };
}
