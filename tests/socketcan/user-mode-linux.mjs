// Boots a kernel that has CAN as an ordinary process (user-mode Linux on the host's own files), runs a script in it and returns what it says.
import { spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const root = join(dirname(fileURLToPath(import.meta.url)), '..', '..');
const program = ['/usr/bin/linux.uml', '/usr/bin/linux'].find((path) => existsSync(path));
const needed = [
  '/usr/bin/cansend',
  '/usr/bin/cangen',
  '/usr/bin/candump',
  '/usr/bin/canplayer',
  '/usr/bin/slcand',
  '/usr/bin/socat',
  '/usr/bin/busybox',
];

/** Why there is no such kernel here, or undefined. */
export function findObstacle() {
  if (process.platform !== 'linux') return 'user-mode Linux needs Linux';
  if (!program) return 'linux.uml is not installed (Debian: user-mode-linux)';
  const missing = needed.filter((path) => !existsSync(path));
  return missing.length > 0 ? `${missing.join(', ')} missing (Debian: can-utils, socat, busybox-static)` : undefined;
}

const modules = [
  'net/can/can',
  'net/can/can-raw',
  'net/can/can-gw',
  'drivers/net/can/dev/can-dev',
  'drivers/net/can/vcan',
  'drivers/net/can/vxcan',
  'drivers/net/can/slcan/slcan',
];

const beginMark = '=== result begins ===';
const endMark = '=== result ends ===';

function initScript(command, scratch) {
  return `#!/bin/sh
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs dev /dev
mkdir -p /dev/pts && mount -t devpts devpts /dev/pts
mount -t tmpfs scratch ${scratch}
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=${scratch} TMPDIR=${scratch}
ip link set lo up
for name in ${modules.join(' ')}; do busybox insmod /usr/lib/uml/modules/$(uname -r)/kernel/$name.ko; done
cd ${root}
${process.execPath} ${command} > ${scratch}/result 2> ${scratch}/problems
echo "${beginMark}"
cat ${scratch}/result
echo
echo "${endMark}"
cat ${scratch}/problems
halt -f
`;
}

/**
 * Runs a script inside; what it writes to standard output must be JSON, and is returned. It may write files to TMPDIR, which is its own.
 * Throws with the console's text when no result came.
 *
 * @param command A script by its path from the root of the project, and its arguments, as a shell takes them.
 */
export async function runInside(command, timeoutMs) {
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-uml-'));
  try {
    const init = join(folder, 'init.sh');
    writeFileSync(init, initScript(join(root, command), folder), { mode: 0o755 });
    const console = await boot(init, folder, timeoutMs);
    const begin = console.indexOf(beginMark);
    const end = console.indexOf(endMark);
    if (begin < 0 || end < 0) throw new Error(`nothing came back from inside:\n${console.slice(-4000)}`);
    try {
      return JSON.parse(console.slice(begin + beginMark.length, end));
    } catch {
      throw new Error(`no JSON came back from inside:\n${console.slice(begin).slice(-8000)}`);
    }
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

function boot(init, folder, timeoutMs) {
  const args = [
    'mem=1G',
    'rootfstype=hostfs',
    'rootflags=/',
    'rw',
    `init=${init}`,
    'con=null',
    'con0=null,fd:1',
    'con1=fd:0,fd:1',
    'quiet',
  ];
  return new Promise((resolve, reject) => {
    const child = spawn(program, [...args, `umid=${folder.split('-').at(-1)}`], {
      // Group of its own: the kernel is several processes.
      detached: true,
      stdio: ['ignore', 'pipe', 'ignore'],
      cwd: folder,
    });
    let text = '';
    const timer = setTimeout(() => {
      text += `\n(still running after ${timeoutMs} ms)\n`;
      process.kill(-child.pid, 'SIGKILL');
    }, timeoutMs);
    child.stdout.on('data', (chunk) => {
      text += chunk.toString();
    });
    child.on('error', reject);
    child.on('close', () => {
      clearTimeout(timer);
      resolve(text);
    });
  });
}
