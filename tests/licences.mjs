// Lists the licence of every installed package, and known faults as far as the registry answers (`npm run licences`).
import { spawnSync } from 'node:child_process';
import { readFileSync } from 'node:fs';

const root = new URL('..', import.meta.url);
/** The program's packages, and those of the browser tests. */
const locks = ['package-lock.json', 'tests/browser/package-lock.json'];
const packages = locks.flatMap((path) =>
  Object.entries(JSON.parse(readFileSync(new URL(path, root), 'utf8')).packages).map(([at, entry]) => [
    at,
    { dev: path !== locks[0], ...entry },
  ]),
);

/** Licences that let a program be used and passed on with no more than a notice. */
const permissive =
  /^\(?((0BSD|MIT|MIT-0|ISC|Apache-2\.0|BSD-2-Clause|BSD-3-Clause|BlueOak-1\.0\.0|BSL-1\.0|CC0-1\.0|OFL-1\.1|Unlicense|Zlib|Python-2\.0|CC-BY-4\.0|WTFPL)( (OR|AND) )?)+\)?$/;

const byLicence = new Map();
for (const [path, { version, license = 'not said', dev, link }] of packages) {
  if (path === '' || link) continue;
  const name = path.replace(/^.*node_modules\//, '');
  const list = byLicence.get(license) ?? [];
  list.push(`${name} ${version}${dev ? ' (development)' : ''}`);
  byLicence.set(license, list);
}
for (const [licence, names] of [...byLicence].sort((a, b) => b[1].length - a[1].length)) {
  console.log(`${licence}: ${names.length}${permissive.test(licence) ? '' : ', look at these'}`);
  for (const name of names.sort()) console.log(`  ${name}`);
}

/** 1: faults are known; 2: it could not be learnt whether there are any, which must never pass for 'none'. */
const exitCodes = locks.map(tellFaults);
process.exitCode = exitCodes.includes(1) ? 1 : Math.max(...exitCodes);

/** Asks the registry about one lock file's packages and prints what it said; returns the exit code that it deserves. */
function tellFaults(lock) {
  const cwd = new URL('.', new URL(lock, root));
  const audit = spawnSync('npm', ['audit', '--json', '--package-lock-only'], {
    cwd,
    encoding: 'utf8',
    shell: process.platform === 'win32',
  });
  const answer = readAnswer(audit.stdout);
  if (!answer?.metadata?.vulnerabilities) {
    const why = answer?.message ?? answer?.error?.summary ?? audit.error?.message ?? 'no answer';
    console.error(`Known faults of ${lock}: not known, the registry refused or could not be reached (${why}). Ask again elsewhere.`);
    return 2;
  }
  const { total } = answer.metadata.vulnerabilities;
  console.log(`Known faults of ${lock}: ${total}`);
  for (const [name, { severity, range }] of Object.entries(answer.vulnerabilities)) console.log(`  ${name} ${range}: ${severity}`);
  return total > 0 ? 1 : 0;
}

function readAnswer(text) {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}
