// The live stream's events over socket.io (websocket only), path /live: the server sends `packet`, a page sends `subscribe`.
import { z } from 'zod';

export { livePath } from './packet.ts';

/** One rolling plot: bins no narrower than span ÷ pixels, of the ladder that the rolling store keeps. */
export const plotSubscription = z.object({
  /** Chosen by the page; comes back in `PlotBins.plot`. */
  plot: z.int().min(0).max(65535),
  /** Channel indices of the epoch that the page knows. */
  channels: z.array(z.int().min(0).max(65535)).max(16),
  spanUs: z.int().min(1_000_000).max(3_600_000_000),
  pixels: z.int().min(50).max(4096),
});

export type PlotSubscription = z.infer<typeof plotSubscription>;

/** Replaces what was subscribed before. Without one a client gets all values and no plots. */
export const subscription = z.object({
  /** Epoch that the indices belong to; another than the server's is refused with the server's. */
  epoch: z.int(),
  /** Channel indices whose values are wanted; left out: all. */
  channels: z.array(z.int().min(0).max(65535)).max(65536).optional(),
  plots: z.array(plotSubscription).max(8),
  /** A hidden page pauses itself; on return it subscribes anew and fetches the hole. */
  paused: z.boolean().optional(),
});

export type Subscription = z.infer<typeof subscription>;

/** Answer to `subscribe`. `widths` are the bins' widths by plot number: fetch what came before with GET /api/window of that width. */
export type SubscribeAnswer = { ok: true; epoch: number; widths: Record<number, number> } | { ok: false; epoch: number; error: string };

/** Events that the server sends. The page must call `received` once it has taken the packet: two may be on their way, no more. */
export interface ServerEvents {
  packet: (bytes: Uint8Array | ArrayBuffer, received: () => void) => void;
}

export interface ClientEvents {
  subscribe: (wanted: Subscription, answer: (answer: SubscribeAnswer) => void) => void;
}
