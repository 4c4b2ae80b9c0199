// Who may ask: hosts that only this computer has, and pages that this server served.
import { describe, expect, it } from 'vitest';
import { hostAllowed, requestAllowed } from '../../server/http/guard.ts';

describe('the guard', () => {
  it.each(['localhost', 'localhost:8414', 'LOCALHOST:8414', '127.0.0.1', '127.0.0.1:1', '[::1]:8414', '[::1]'])(
    'lets %s be asked',
    (host) => {
      expect(hostAllowed(host)).toBe(true);
    },
  );

  it.each([
    undefined,
    '',
    'evil.example',
    'evil.example:8414',
    'localhost.evil.example',
    '127.0.0.1.evil.example',
    'localhost:8414@evil.example',
    'evil.example#localhost',
    '127.0.0.2',
    '0.0.0.0:8414',
    '192.168.1.5:8414',
    'localhost:999999',
    '[::1',
    ' localhost',
  ])('refuses the host %s', (host) => {
    expect(hostAllowed(host)).toBe(false);
  });

  it.each([
    [{ host: 'localhost:8414', origin: undefined }, true],
    [{ host: 'localhost:8414', origin: 'http://localhost:8414' }, true],
    [{ host: 'localhost:8414', origin: 'http://127.0.0.1:8414' }, false],
    [{ host: 'localhost:8414', origin: 'http://localhost:8415' }, false],
    [{ host: 'localhost:8414', origin: 'https://localhost:8414' }, false],
    [{ host: 'localhost:8414', origin: 'http://evil.example' }, false],
    [{ host: 'localhost:8414', origin: 'null' }, false],
    [{ host: 'evil.example', origin: 'http://evil.example' }, false],
    [{ host: 'evil.example', origin: undefined }, false],
  ])('answers %o: %s', (asking, allowed) => {
    expect(requestAllowed(asking)).toBe(allowed);
  });
});
