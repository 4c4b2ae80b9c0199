// Builds the HTTP side: policy, guards, bounds, the routes of /api with their OpenAPI document, and the pages' files. `server.ts` listens.
import { existsSync } from 'node:fs';
import { join } from 'node:path';
import cookie from '@fastify/cookie';
import helmet from '@fastify/helmet';
import rateLimit from '@fastify/rate-limit';
import fastifyStatic from '@fastify/static';
import swagger from '@fastify/swagger';
import Fastify, { type FastifyBaseLogger, type FastifyError, type FastifyInstance, type FastifyReply, type FastifyRequest } from 'fastify';
import {
  hasZodFastifySchemaValidationErrors,
  jsonSchemaTransform,
  jsonSchemaTransformObject,
  serializerCompiler,
  validatorCompiler,
  type ZodTypeProvider,
} from 'fastify-type-provider-zod';
import type { ErrorView } from '../contract/error.ts';
import type { Beginning } from '../editing/beginning.ts';
import type { VehicleEditor } from '../editing/vehicle-editor.ts';
import { EvenburnError } from '../errors.ts';
import { httpBodyBytesMax, httpRequestsPerMinuteMax } from '../limits.ts';
import type { CheckDesk } from '../live/check-desk.ts';
import type { LivePulls } from '../live/live-pulls.ts';
import type { Attachments } from '../recording/attachments.ts';
import type { DynoDesk } from '../recording/dyno-desk.ts';
import type { EngineHistoryDesk } from '../recording/engine-history-desk.ts';
import type { LogBook } from '../recording/log-book.ts';
import type { RecordedImports } from '../recording/recorded-imports.ts';
import type { SignOffs } from '../recording/sign-offs.ts';
import type { SignalSearches } from '../recording/signal-searches.ts';
import type { Station } from '../station.ts';
import type { Access } from './access.ts';
import { addAccessRoutes, holdToRoles } from './access-routes.ts';
import { addAlarmRoutes } from './alarm-routes.ts';
import { addAttachmentRoutes } from './attachment-routes.ts';
import { addBeginningRoutes } from './beginning-routes.ts';
import { addChecksRoutes } from './checks-routes.ts';
import { boundArrival } from './connections.ts';
import { addDefinitionRoutes } from './definition-routes.ts';
import { addEngineHistoryRoutes } from './engine-history-routes.ts';
import { EventStreams } from './event-streams.ts';
import { addFigureRoutes } from './figure-routes.ts';
import { addFrameRoutes } from './frame-routes.ts';
import { askingOf, type Door, loopbackDoor, requestAllowed } from './guard.ts';
import { addHarnessRoutes } from './harness-routes.ts';
import { addHealthRoutes } from './health-routes.ts';
import { addImportRoutes, streamedAddresses } from './import-routes.ts';
import { addLogBookRoutes } from './log-book-routes.ts';
import { addPaperRoutes } from './paper-routes.ts';
import { addPreparationRoutes } from './preparation-routes.ts';
import { addPullsRoutes } from './pulls-routes.ts';
import { addSearchRoutes } from './search-routes.ts';
import { addSessionRoutes, type SessionStore } from './session-routes.ts';
import { addSessionTaskRoutes, type SessionTaskDesk } from './session-task-routes.ts';
import { addSimulatorRoutes } from './simulator-routes.ts';
import { addTableRoutes } from './table-routes.ts';
import { addVehicleRoutes } from './vehicle-routes.ts';
import { addWindowRoutes } from './window-routes.ts';

/** Fastify that types handlers by their zod schemas. */
export type App = FastifyInstance<
  import('node:http').Server,
  import('node:http').IncomingMessage,
  import('node:http').ServerResponse,
  FastifyBaseLogger,
  ZodTypeProvider
>;

/** What the routes ask of a station. */
export type AskedStation = Pick<
  Station,
  'vehicle' | 'vehicleView' | 'why' | 'window' | 'frames' | 'alarmHistory' | 'acknowledge' | 'status' | 'simulation' | 'wallMs'
>;

/** What routes work on. */
export interface AppParts {
  station: AskedStation;
  version: string;
  /** Recorded sessions; without them the addresses of sessions are not there. */
  sessions?: SessionStore;
  /** Reports, exports and re-reading; without it sessions are only looked at. */
  tasks?: SessionTaskDesk;
  /** Recorded files that pages bring in; without it they come by the command line alone. */
  imports?: Pick<RecordedImports, 'look' | 'add' | 'list' | 'cancel'>;
  /** Checks on the live bus; without them only recordings are checked. */
  checks?: CheckDesk;
  /** Where continuity readings are kept; without it the harness is shown and can't be signed. */
  signOffs?: SignOffs;
  /** What people write down about the vehicle; without it its address is not there. */
  logBook?: Pick<LogBook, 'list' | 'add'>;
  /** Pulls and studies of recorded sessions; without it their addresses are not there. */
  dyno?: Pick<DynoDesk, 'pulls' | 'study' | 'compare' | 'trials' | 'figure'>;
  /** What all sessions together tell of the engine; without it its address is not there. */
  engineHistory?: Pick<EngineHistoryDesk, 'history'>;
  /** Photos and logs of the log book; without it their addresses are not there. */
  attachments?: Pick<Attachments, 'add' | 'get'>;
  /** The pull in progress; without it its addresses are not there. */
  livePulls?: Pick<LivePulls, 'view' | 'listen' | 'figure'>;
  /** Searches for undocumented signals; without it their addresses are not there. */
  searches?: Pick<SignalSearches, 'list' | 'get' | 'start' | 'cancel' | 'findingOf'>;
  /** Changes the vehicle folder's files; without it tables are not read and nothing is written. */
  editor?: Pick<VehicleEditor, 'layOutTable' | 'layOutHarness' | 'addDevice' | 'addSignal' | 'read' | 'tryDraft' | 'save'>;
  /** Another vehicle folder or other sources; without it the server serves what it was started with. */
  beginning?: Pick<Beginning, 'view' | 'begin'>;
  /** Logins of a server on the network; without it whoever reaches the server is crew, so it listens on loopback only. */
  access?: Access;
  /** By what names the server may be asked; by default those of loopback. */
  door?: Door;
  /** PEM texts; with them pages are served by https. */
  tls?: { cert: string; key: string };
  /** The authority that this server's certificate was made by, for tablets to trust. */
  authority?: { cert: string };
  /** Folder of the built pages; without it only /api is served. */
  webFolder?: string;
  logger?: FastifyBaseLogger;
}

/** One file of routes a topic: add yours to the list. */
type AddRoutes = (app: App, parts: AppParts, streams: EventStreams) => void;

const topics: AddRoutes[] = [
  addAccessRoutes,
  addVehicleRoutes,
  addWindowRoutes,
  addAlarmRoutes,
  addFrameRoutes,
  addFigureRoutes,
  addSessionRoutes,
  addSessionTaskRoutes,
  addImportRoutes,
  addHealthRoutes,
  addSimulatorRoutes,
  addChecksRoutes,
  addPreparationRoutes,
  addHarnessRoutes,
  addLogBookRoutes,
  addAttachmentRoutes,
  addPullsRoutes,
  addEngineHistoryRoutes,
  addPaperRoutes,
  addTableRoutes,
  addSearchRoutes,
  addDefinitionRoutes,
  addBeginningRoutes,
];

export async function buildApp(parts: AppParts): Promise<App> {
  const built = Fastify({
    bodyLimit: httpBodyBytesMax,
    forceCloseConnections: true,
    frameworkErrors: answerError,
    ...(parts.tls ? { https: parts.tls } : {}),
    ...(parts.logger ? { loggerInstance: parts.logger } : {}),
  });
  // Nothing here differs between http and https but the socket below.
  const app = (built as unknown as FastifyInstance).withTypeProvider<ZodTypeProvider>() as App;
  app.setValidatorCompiler(validatorCompiler);
  app.setSerializerCompiler(serializerCompiler);
  app.addHook('onRequest', async (request, reply) => {
    const address = request.routeOptions.url ?? '';
    const asking = askingOf(request.headers, request.method, address.startsWith('/api/'));
    if (!requestAllowed(asking, parts.door ?? loopbackDoor))
      return reply.code(403).send(toErrorView(new EvenburnError('ORIGIN_REFUSED', { host: asking.host ?? '' })));
    if (!streamedAddresses.has(address)) boundArrival(request, reply);
  });
  await app.register(helmet, pagePolicy);
  await app.register(cookie);
  await app.register(rateLimit, {
    max: httpRequestsPerMinuteMax,
    timeWindow: '1 minute',
    // By its route, so that no spelling of an address gets around it.
    allowList: (request) => !(request.routeOptions.url ?? '').startsWith('/api/'),
    errorResponseBuilder: () => new EvenburnError('REQUESTS_TOO_MANY'),
  });
  await app.register(swagger, {
    openapi: {
      openapi: '3.1.0',
      info: { title: 'Evenburn', version: parts.version, description: 'What the pages use. Channels keep their declared unit everywhere.' },
    },
    transform: jsonSchemaTransform,
    transformObject: jsonSchemaTransformObject,
  });
  app.setErrorHandler(answerError);
  const streams = new EventStreams(parts.access);
  await app.register(async (api) => {
    if (parts.access) holdToRoles(api.withTypeProvider<ZodTypeProvider>(), parts.access);
    for (const add of topics) add(api.withTypeProvider<ZodTypeProvider>(), parts, streams);
    api.get('/api/openapi.json', { schema: { hide: true } }, async () => app.swagger());
  });
  await servePages(app, parts.webFolder);
  return app;
}

/** No inline code or style, nothing from elsewhere; plain http on a local network must work, so nothing that forces https. */
const pagePolicy = {
  contentSecurityPolicy: {
    useDefaults: false,
    directives: {
      defaultSrc: ["'none'"],
      scriptSrc: ["'self'"],
      styleSrc: ["'self'"],
      imgSrc: ["'self'", 'data:'],
      fontSrc: ["'self'"],
      connectSrc: ["'self'"],
      mediaSrc: ["'self'"],
      manifestSrc: ["'self'"],
      workerSrc: ["'self'"],
      baseUri: ["'none'"],
      formAction: ["'self'"],
      frameAncestors: ["'none'"],
      objectSrc: ["'none'"],
    },
  },
  // For browsers that don't know frame-ancestors.
  xFrameOptions: { action: 'deny' as const },
  strictTransportSecurity: false,
  crossOriginOpenerPolicy: false,
  originAgentCluster: false,
  crossOriginEmbedderPolicy: false,
  referrerPolicy: { policy: 'no-referrer' as const },
};

/** Hashed files never change; the page that names them is asked for anew each time. */
async function servePages(app: App, folder: string | undefined): Promise<void> {
  const pages = folder !== undefined && existsSync(join(folder, 'index.html'));
  if (pages) {
    await app.register(fastifyStatic, {
      root: folder,
      cacheControl: false,
      setHeaders(reply, path) {
        const hashed = path.startsWith(join(folder, 'assets'));
        reply.setHeader('cache-control', hashed ? 'public, max-age=31536000, immutable' : 'no-cache');
      },
    });
  }
  app.setNotFoundHandler((request, reply) => {
    const wantsPage = request.method === 'GET' && !isApi(request) && (request.headers.accept ?? '').includes('text/html');
    if (pages && wantsPage) return reply.header('cache-control', 'no-cache').sendFile('index.html');
    return reply.code(404).send(toErrorView(new EvenburnError('ADDRESS_UNKNOWN', { address: request.url.slice(0, 200) })));
  });
}

function isApi(request: FastifyRequest): boolean {
  return request.url === '/api' || request.url.startsWith('/api/') || request.url.startsWith('/api?');
}

function answerError(error: FastifyError | EvenburnError, request: FastifyRequest, reply: FastifyReply): void {
  if (error instanceof EvenburnError) {
    reply.code(error.httpStatus).send(toErrorView(error));
    return;
  }
  if (hasZodFastifySchemaValidationErrors(error)) {
    const what = error.validation.map((issue) => `${issue.instancePath || '/'}: ${issue.message}`).join('; ');
    reply.code(400).send(toErrorView(new EvenburnError('REQUEST_WRONG', { what })));
    return;
  }
  const status = error.statusCode ?? 500;
  if (status < 500) {
    reply.code(status).send(toErrorView(new EvenburnError('REQUEST_WRONG', { what: error.message })));
    return;
  }
  request.log.error(error);
  reply.code(500).send(toErrorView(new EvenburnError('SERVER_FAULT', { what: error.message })));
}

function toErrorView(error: EvenburnError): ErrorView {
  return { error: error.code, message: error.message, cure: error.cure };
}
