// Logging in and out, and the hook that holds every address of /api to the role it needs.
import type { FastifyRequest } from 'fastify';
import { z } from 'zod';
import { type AccessView, accessView, loginRequest, type Role } from '../contract/access.ts';
import { EvenburnError } from '../errors.ts';
import { loginLastsMs } from '../limits.ts';
import type { Access, Asker } from './access.ts';
import type { App, AppParts } from './app.ts';

const base = '/api/access';
/** Asked before there is a login. Each is the pattern of a route, so that no spelling of an address gets around it. */
const open = new Set([base, `${base}/login`, `${base}/logout`, `${base}/certificate`]);

/** Whoever watches may read; everything else is the crew's, and so is every route that is added later. */
function needed(method: string): Role {
  return method === 'GET' || method === 'HEAD' ? 'viewer' : 'crew';
}

/**
 * Adds the hook to routes that are added to `api` from now on. What is only watched may last for hours, as streams do: it ends with the
 * login. What changes something is judged once, at its beginning.
 */
export function holdToRoles(api: App, access: Access): void {
  api.addHook('onRequest', async (request, reply) => {
    if (open.has(request.routeOptions.url ?? '')) return;
    const has = access.roleOf(askerOf(request));
    if (has === undefined) throw new EvenburnError('ACCESS_LOGIN_NEEDED');
    if (has !== 'crew' && needed(request.method) === 'crew') throw new EvenburnError('ACCESS_CREW_NEEDED');
    if (needed(request.method) === 'viewer')
      reply.raw.once(
        'close',
        access.hold(askerOf(request), () => reply.raw.destroy()),
      );
  });
}

function askerOf({ headers, socket }: FastifyRequest): Asker {
  return { headers, remoteAddress: socket.remoteAddress };
}

function viewOf(access: Access | undefined, asker: Asker): AccessView {
  if (!access) return { lan: false, role: 'crew', atTheComputer: true };
  return { lan: true, role: access.roleOf(asker) ?? null, atTheComputer: access.isAtTheComputer(asker) };
}

export function addAccessRoutes(app: App, { access, authority }: AppParts): void {
  const response = { 200: accessView };
  if (authority) {
    app.get(
      `${base}/certificate`,
      { schema: { summary: "The authority that made this server's certificate, PEM, to be trusted once" } },
      (_, reply) =>
        reply
          .header('content-type', 'application/x-x509-ca-cert')
          .header('content-disposition', 'attachment; filename="evenburn-authority.crt"')
          .send(authority.cert),
    );
  }
  app.get(base, { schema: { summary: 'Who is asking', response } }, async (request, reply) => {
    reply.header('cache-control', 'no-store');
    return viewOf(access, askerOf(request));
  });
  if (!access) return;
  const attributes = { path: '/', httpOnly: true, sameSite: 'strict', secure: access.secure } as const;
  app.post(`${base}/login`, { schema: { summary: 'Log in', body: loginRequest, response } }, async (request, reply) => {
    const value = await access.logIn(request.body.passphrase, request.socket.remoteAddress ?? '');
    reply.setCookie(access.cookieName, value, { ...attributes, maxAge: loginLastsMs / 1000 });
    return viewOf(access, { ...askerOf(request), headers: { ...request.headers, cookie: app.serializeCookie(access.cookieName, value) } });
  });
  app.post(`${base}/logout`, { schema: { summary: 'Log out', body: z.object({}).nullish(), response } }, async (request, reply) => {
    await access.logOut(askerOf(request));
    reply.clearCookie(access.cookieName, attributes);
    return viewOf(access, askerOf(request));
  });
  app.post(
    `${base}/logout-everybody`,
    { schema: { summary: 'Log everybody out', body: z.object({}).nullish(), response } },
    async (request, reply) => {
      await access.logOutEverybody();
      reply.clearCookie(access.cookieName, attributes);
      return viewOf(access, askerOf(request));
    },
  );
}
