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

const audit = spawnSync('npm', ['audit', '--json'], { cwd: root, encoding: 'utf8', shell: process.platform === 'win32' });
const answer = readAnswer(audit.stdout);
if (!answer?.metadata?.vulnerabilities) {
  console.log(`Known faults: not known, the registry did not answer (${answer?.message ?? answer?.error?.summary ?? 'no answer'}).`);
} else {
  console.log(`Known faults: ${answer.metadata.vulnerabilities.total}`);
  for (const [name, { severity, range }] of Object.entries(answer.vulnerabilities)) console.log(`  ${name} ${range}: ${severity}`);
  if (answer.metadata.vulnerabilities.total > 0) process.exitCode = 1;
}

function readAnswer(text) {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}
