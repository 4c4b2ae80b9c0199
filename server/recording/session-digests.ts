// What each session tells of the engine's history, read from its samples once and kept: DATA/digests/NUMBER.json, made anew when the session changed.
import { randomUUID } from 'node:crypto';
import { statSync } from 'node:fs';
import { mkdir, readdir, readFile, rename, rm, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import type { PlacedDigest } from '../engine-history/heat-cycles.ts';
import { digestSession, digestVersion } from '../engine-history/session-digest.ts';
import { startedWallMsOf } from './catalogue.ts';
import { sessionNumbers, sessionPath } from './data-folder.ts';
import { listReadings, ReadingFile } from './reading-file.ts';
import { seriesSetOf } from './reading-series.ts';
import { SessionFile } from './session-file.ts';

/** A digest as it is kept. */
interface KeptDigest {
  /** What it was made from; another: it is made anew. */
  key: string;
  vehicle: string;
  placed: PlacedDigest;
}

export interface DigestedSessions {
  /** Oldest first by wall time. */
  sessions: PlacedDigest[];
  unread: { session: number; why: string }[];
}

export class SessionDigests {
  private readonly data: string;
  private readonly folder: string;

  /** @param data The data folder. */
  constructor(data: string) {
    this.data = data;
    this.folder = join(data, 'digests');
  }

  /** Of all sessions of a vehicle; one that can't be read is told of and stands in no other's way. */
  async of(vehicle: string): Promise<DigestedSessions> {
    const numbers = sessionNumbers(this.data);
    const found: DigestedSessions = { sessions: [], unread: [] };
    for (const session of numbers) {
      try {
        const kept = await this.digest(session);
        if (kept.vehicle === vehicle) found.sessions.push(kept.placed);
      } catch (error) {
        found.unread.push({ session, why: (error as Error).message });
      }
    }
    found.sessions.sort((a, b) => a.startedWallMs - b.startedWallMs || a.session - b.session);
    await this.forgetOthers(new Set(numbers));
    return found;
  }

  private async digest(session: number): Promise<KeptDigest> {
    const { size, mtimeMs } = statSync(sessionPath(this.data, session));
    const kept = await this.read(session);
    if (kept?.key.startsWith(`${digestVersion} ${size} ${mtimeMs} `)) return kept;
    const file = SessionFile.open(this.data, session);
    try {
      const { facts } = file;
      const reading = new ReadingFile(file, file.shownReading);
      const hash = listReadings(file).find(({ id }) => id === reading.id)?.hash ?? facts.hash;
      const vehicle = file.reading(() => file.vehicleOf(hash));
      const series = seriesSetOf(reading, facts);
      const seconds = facts.frames === 0 ? 0 : (facts.lastUs - facts.firstUs) / 1e6;
      const placed = { session, startedWallMs: startedWallMsOf(file), seconds, digest: digestSession(series, vehicle) };
      const fresh = { key: `${digestVersion} ${size} ${mtimeMs} ${reading.id}`, vehicle: facts.vehicle, placed };
      // One that is still recorded is read anew next time: its newest samples are in its log, beside the file.
      if (facts.state !== 'open') await this.write(session, fresh);
      return fresh;
    } finally {
      file.close();
    }
  }

  private path(session: number): string {
    return join(this.folder, `${session}.json`);
  }

  private async read(session: number): Promise<KeptDigest | undefined> {
    try {
      return JSON.parse(await readFile(this.path(session), 'utf8')) as KeptDigest;
    } catch {
      return undefined;
    }
  }

  /** A full disk only makes the next look slower. */
  private async write(session: number, kept: KeptDigest): Promise<void> {
    const aside = `${this.path(session)}.${randomUUID()}`;
    try {
      await mkdir(this.folder, { recursive: true });
      await writeFile(aside, JSON.stringify(kept));
      await rename(aside, this.path(session));
    } catch {
      await rm(aside, { force: true }).catch(() => undefined);
    }
  }

  private async forgetOthers(numbers: ReadonlySet<number>): Promise<void> {
    const names = await readdir(this.folder).catch(() => []);
    const gone = names.filter((name) => /^\d+\.json$/.test(name) && !numbers.has(Number.parseInt(name, 10)));
    await Promise.all(gone.map((name) => rm(join(this.folder, name), { force: true })));
  }
}
