// Talks to a real YAML language server over its standard streams, as an editor does.
import { type ChildProcess, spawn } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { dirname, join } from 'node:path';
import { pathToFileURL } from 'node:url';

export interface Diagnostic {
  message: string;
  range: { start: { line: number; character: number } };
}

interface Message {
  id?: number;
  method?: string;
  params?: { uri?: string; diagnostics?: Diagnostic[]; items?: { section?: string }[] };
  result?: unknown;
}

// No schema from the network: a workshop has none.
const settings: Record<string, unknown> = { yaml: { validate: true, hover: true, completion: true, schemaStore: { enable: false } } };

export class LanguageClient {
  private readonly child: ChildProcess;
  private buffer = Buffer.alloc(0);
  private number = 0;
  private readonly answers = new Map<number, (result: unknown) => void>();
  private readonly diagnosed = new Map<string, (diagnostics: Diagnostic[]) => void>();

  constructor() {
    const manifest = createRequire(import.meta.url).resolve('yaml-language-server/package.json');
    const program = join(dirname(manifest), 'bin', 'yaml-language-server');
    this.child = spawn(process.execPath, [program, '--stdio'], { stdio: ['pipe', 'pipe', 'ignore'] });
    this.child.stdout?.on('data', (chunk: Buffer) => this.take(chunk));
  }

  async start(folder: string): Promise<void> {
    const root = pathToFileURL(folder).href;
    const capabilities = {
      textDocument: {
        hover: { contentFormat: ['markdown'] },
        completion: { completionItem: { documentationFormat: ['markdown'] } },
        publishDiagnostics: {},
      },
      workspace: { configuration: true },
    };
    await this.ask('initialize', {
      processId: process.pid,
      rootUri: root,
      capabilities,
      workspaceFolders: [{ uri: root, name: 'vehicle' }],
    });
    this.send({ method: 'initialized', params: {} });
    this.send({ method: 'workspace/didChangeConfiguration', params: { settings } });
  }

  /** Opens a file and resolves with what the server finds in it. */
  async diagnose(path: string): Promise<Diagnostic[]> {
    const uri = pathToFileURL(path).href;
    const found = new Promise<Diagnostic[]>((resolve) => this.diagnosed.set(uri, resolve));
    this.send({
      method: 'textDocument/didOpen',
      params: { textDocument: { uri, languageId: 'yaml', version: 1, text: readFileSync(path, 'utf8') } },
    });
    return found;
  }

  /** Text shown when the pointer rests at a place (from 0) of an open file. */
  async hover(path: string, line: number, character: number): Promise<string> {
    const textDocument = { uri: pathToFileURL(path).href };
    const result = await this.ask('textDocument/hover', { textDocument, position: { line, character } });
    const { contents } = (result ?? { contents: '' }) as { contents: string | { value: string } };
    return typeof contents === 'string' ? contents : contents.value;
  }

  /** What may be typed at a place (from 0) of an open file: label → what is said of it. */
  async complete(path: string, line: number, character: number): Promise<Map<string, string>> {
    const textDocument = { uri: pathToFileURL(path).href };
    const result = await this.ask('textDocument/completion', { textDocument, position: { line, character } });
    const { items } = (result ?? { items: [] }) as { items: { label: string; documentation?: string | { value: string } }[] };
    const toText = (said: string | { value: string } = '') => (typeof said === 'string' ? said : said.value);
    return new Map(items.map(({ label, documentation }) => [label, toText(documentation)]));
  }

  stop(): void {
    this.child.kill();
  }

  private ask(method: string, params: unknown): Promise<unknown> {
    const id = ++this.number;
    this.send({ id, method, params });
    return new Promise((resolve) => this.answers.set(id, resolve));
  }

  private send(message: object): void {
    const text = JSON.stringify({ jsonrpc: '2.0', ...message });
    this.child.stdin?.write(`Content-Length: ${Buffer.byteLength(text)}\r\n\r\n${text}`);
  }

  private take(chunk: Buffer): void {
    this.buffer = Buffer.concat([this.buffer, chunk]);
    for (;;) {
      const headEnd = this.buffer.indexOf('\r\n\r\n');
      const length = Number(/Content-Length: (\d+)/i.exec(this.buffer.subarray(0, headEnd).toString())?.[1]);
      if (headEnd < 0 || this.buffer.length < headEnd + 4 + length) return;
      const body = this.buffer.subarray(headEnd + 4, headEnd + 4 + length).toString();
      this.buffer = this.buffer.subarray(headEnd + 4 + length);
      this.handle(JSON.parse(body) as Message);
    }
  }

  private handle({ id, method, params, result }: Message): void {
    if (method === undefined && id !== undefined) this.answers.get(id)?.(result);
    else if (method === 'textDocument/publishDiagnostics') this.diagnosed.get(params?.uri ?? '')?.(params?.diagnostics ?? []);
    else if (method === 'workspace/configuration')
      this.send({ id, result: (params?.items ?? []).map(({ section }) => settings[section ?? ''] ?? {}) });
    else if (id !== undefined) this.send({ id, result: null });
  }
}
