// The list of licences and known faults, asked of a registry of its own: what it can't learn must not pass for 'none'.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { createServer, type RequestListener } from 'node:http';
import type { AddressInfo } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';

const script = fileURLToPath(new URL('licences.mjs', import.meta.url));

async function runWith(answer: RequestListener) {
  const registry = createServer(answer).listen(0, '127.0.0.1');
  await once(registry, 'listening');
  const cache = mkdtempSync(join(tmpdir(), 'evenburn-licences-'));
  try {
    const env = {
      ...process.env,
      npm_config_registry: `http://127.0.0.1:${(registry.address() as AddressInfo).port}/`,
      npm_config_cache: cache,
      npm_config_fetch_retries: '0',
    };
    const child = spawn(process.execPath, [script], { env });
    let stdout = '';
    let stderr = '';
    child.stdout.on('data', (text) => {
      stdout += text;
    });
    child.stderr.on('data', (text) => {
      stderr += text;
    });
    const [code] = await once(child, 'close');
    return { code, stdout, stderr };
  } finally {
    registry.closeAllConnections();
    registry.close();
    rmSync(cache, { recursive: true, force: true });
  }
}

const json =
  (body: unknown): RequestListener =>
  (_request, response) => {
    response.setHeader('content-type', 'application/json');
    response.end(JSON.stringify(body));
  };

describe('npm run licences', () => {
  it('exits with 2 and says so when the registry refuses', async () => {
    const { code, stdout, stderr } = await runWith((_request, response) => response.writeHead(405).end());
    expect(code).toBe(2);
    expect(stdout).not.toContain('Known faults');
    expect(stderr).toMatch(/^Known faults of package-lock\.json: not known, .*405/m);
    expect(stderr).toMatch(/^Known faults of tests\/browser\/package-lock\.json: not known/m);
  });

  it('exits with 0 when the registry knows no fault', async () => {
    const { code, stdout, stderr } = await runWith(json({}));
    expect({ code, stderr }).toEqual({ code: 0, stderr: '' });
    expect(stdout).toMatch(/^Known faults of package-lock\.json: 0$/m);
    expect(stdout).toMatch(/^Known faults of tests\/browser\/package-lock\.json: 0$/m);
  });

  it('exits with 1 and names the package when the registry knows one', async () => {
    const advisory = { id: 1, url: 'https://example.org/1', title: 'Invented', severity: 'high', vulnerable_versions: '*' };
    const version = '1.0.0';
    // npm asks too about the packages that depend on the one at fault.
    const packumentOf = (name: string) => ({
      name,
      'dist-tags': { latest: version },
      versions: { [version]: { name, version, dist: {} } },
    });
    let questions = 0;
    const { code, stdout, stderr } = await runWith((request, response) => {
      const isQuestion = request.url?.includes('advisories') === true;
      // The packages of the program come first, those of the browser tests second.
      const isAboutServer = isQuestion && ++questions === 1;
      json(isAboutServer ? { pino: [advisory] } : isQuestion ? {} : packumentOf(decodeURIComponent(request.url?.slice(1) ?? '')))(
        request,
        response,
      );
    });
    expect({ code, stderr }).toEqual({ code: 1, stderr: '' });
    expect(stdout).toMatch(/^ {2}pino .*: high$/m);
  });
});
