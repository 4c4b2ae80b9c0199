// A wire between browser and server that can be cut, frozen and mended: what Wi-Fi does to a tablet.
import { type AddressInfo, connect, createServer, type Server, type Socket } from 'node:net';

export class CuttableWire {
  readonly url: string;
  private readonly server: Server;
  private readonly sockets = new Set<Socket>();
  private cut = false;

  private constructor(server: Server) {
    this.server = server;
    this.url = `http://127.0.0.1:${(server.address() as AddressInfo).port}`;
  }

  /** A free port that leads to `port` of this machine. */
  static async to(port: number): Promise<CuttableWire> {
    const server = createServer();
    await new Promise<void>((done) => server.listen(0, '127.0.0.1', done));
    const wire = new CuttableWire(server);
    server.on('connection', (near) => wire.join(near, port));
    return wire;
  }

  /** Every connection ends, and new ones are refused, until `mend`. */
  break(): void {
    this.cut = true;
    for (const socket of this.sockets) socket.destroy();
  }

  /** Nothing passes any more, and nobody is told, until `mend`. */
  freeze(): void {
    for (const socket of this.sockets) socket.pause();
  }

  mend(): void {
    this.cut = false;
    for (const socket of this.sockets) socket.resume();
  }

  async close(): Promise<void> {
    this.break();
    await new Promise((done) => this.server.close(done));
  }

  private join(near: Socket, port: number): void {
    if (this.cut) {
      near.destroy();
      return;
    }
    const far = connect(port, '127.0.0.1');
    for (const [one, other] of [
      [near, far],
      [far, near],
    ] as const) {
      this.sockets.add(one);
      one.on('data', (chunk) => other.write(chunk));
      one.on('error', () => one.destroy());
      one.on('close', () => {
        this.sockets.delete(one);
        other.destroy();
      });
    }
  }
}
