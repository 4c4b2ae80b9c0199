// The live stream with a real socket.io client: values move, alarms come at once, slow and foreign pages are dealt with.
import { createConnection } from 'node:net';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { quality } from '../../server/channels/quality.ts';
import { binNone, type LivePacket, type PlotTrace } from '../../server/contract/packet.ts';
import { liveClientsMax } from '../../server/limits.ts';
import { LivePage, type LiveRig, startLiveRig } from '../doubles/live-feed.ts';
import { eventually, until } from '../waiting.ts';

let rig: LiveRig;
let pages: LivePage[];

beforeEach(async () => {
  rig = await startLiveRig(3);
  pages = [];
});

afterEach(async () => {
  for (const page of pages) page.close();
  await rig.close();
});

function open(headers?: Record<string, string>): LivePage {
  const page = new LivePage(rig.url, headers);
  pages.push(page);
  return page;
}

/** Bins of one plot as a page would hold them after all packets: later packets replace what they repeat. */
function heldBins(packets: readonly LivePacket[], plot: number): Map<number, [number, number, number]> {
  const held = new Map<number, [number, number, number]>();
  for (const packet of packets) {
    const bins = packet.plots.find((one) => one.plot === plot);
    const trace = bins?.traces[0];
    if (!bins || !trace) continue;
    for (let i = 0; i < bins.count; i++) {
      held.set(bins.first + i, [trace.low[i] as number, trace.high[i] as number, trace.quality[i] as number]);
    }
  }
  return held;
}

describe('the live stream', () => {
  it('sends everything in the first packet, and values as they move', async () => {
    rig.feed.store.add(0, 10_000, 12.5, quality.ok);
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    expect(page.packets[0]).toMatchObject({ sequence: 1, epoch: 1, alarms: { active: [] }, status: { mode: 'live' } });
    expect([...(page.packets[0] as LivePacket).values.quality]).toEqual([quality.ok, quality.missing, quality.missing]);
    rig.feed.store.add(0, 20_000, 13.25, quality.ok);
    await until(() => page.last.values.value[0] === 13.25, 'the new value');
    expect(page.last.timeUs).toBe(20_000);
  });

  it('keeps extremes between packets, also for a page that missed ticks', async () => {
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    page.isSlow = true;
    await until(() => page.owed.length === 2, 'two packets on their way');
    for (const [timeUs, value] of [
      [10_000, 5],
      [20_000, 900],
      [30_000, 6],
    ] as const) {
      rig.feed.store.add(1, timeUs, value, quality.ok);
      const before = rig.gateway.skipped;
      await until(() => rig.gateway.skipped > before, 'a tick without room');
    }
    page.isSlow = false;
    for (const received of page.owed.splice(0)) received();
    await until(() => page.last.values.value[1] === 6, 'the newest value');
    const heard = page.packets.find((packet) => packet.values.high[1] === 900);
    expect(heard?.values.low[1]).toBe(5);
  });

  it('sends a packet every quarter second when nothing happens', async () => {
    const page = open();
    await until(() => page.packets.length >= 4, 'packets in silence');
    expect(page.last.timeUs).toBe(0);
  });

  it('sends an alarm at once, with its state, and only when it changed', async () => {
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    rig.feed.alarmVersion++;
    rig.feed.alarmSequence = 1;
    rig.gateway.alarmChanged();
    await until(() => page.last.alarmSequence === 1, 'the packet of the alarm');
    // One that was on its way knows nothing of it.
    const told = page.packets.findIndex(({ alarmSequence }) => alarmSequence === 1);
    expect(page.packets[told]).toMatchObject({ alarms: { sequence: 1 } });
    rig.feed.store.add(0, 50_000, 1, quality.ok);
    await until(() => page.packets.length > told + 1, 'the next packet');
    expect(page.packets[told + 1]).not.toHaveProperty('alarms');
  });

  it('sends alarms that come by the hundred together, the last one included', async () => {
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    const before = page.packets.length;
    for (let i = 1; i <= 300; i++) {
      rig.feed.alarmVersion++;
      rig.feed.alarmSequence = i;
      rig.gateway.alarmChanged();
    }
    await until(() => page.last.alarmSequence === 300, 'the last alarm');
    expect(page.last.alarms).toMatchObject({ sequence: 300 });
    expect(page.packets.length - before).toBeLessThan(10);
  });

  it('sends an alarm to a full connection as soon as one packet is answered', async () => {
    const page = open();
    page.isSlow = true;
    await until(() => page.owed.length === 2, 'two packets on their way');
    rig.feed.alarmVersion++;
    rig.feed.alarmSequence = 9;
    rig.gateway.alarmChanged();
    expect(page.packets).toHaveLength(2);
    page.owed.shift()?.();
    await until(() => page.packets.length === 3, 'the packet of the alarm');
    expect(page.last.alarms).toMatchObject({ sequence: 9 });
  });

  it('never has more than two packets on their way to a page that does not answer, and then lets go of it', async () => {
    const page = open();
    page.isSlow = true;
    await until(() => page.owed.length === 2, 'two packets on their way');
    for (let i = 0; i < 20; i++) {
      rig.feed.store.add(0, 10_000 * (i + 1), i, quality.ok);
      const before = rig.gateway.skipped;
      await until(() => rig.gateway.skipped > before, 'a tick without room');
    }
    expect(page.packets).toHaveLength(2);
    rig.feed.aheadMs += 31_000;
    await until(() => page.closed, 'the connection ended');
    expect(rig.gateway.clientCount).toBe(0);
  });

  it('holds the same bins for a page as the store has, late samples included', async () => {
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    const answer = await page.subscribe({ epoch: 1, plots: [{ plot: 5, channels: [2], spanUs: 10_000_000, pixels: 500 }] });
    expect(answer).toEqual({ ok: true, epoch: 1, widths: { 5: 20_000 } });
    let timeUs = 0;
    for (let i = 0; i < 60; i++) {
      timeUs += 7_000 + ((i * 7919) % 23_000);
      rig.feed.store.add(2, timeUs, Math.sin(i) * 100, quality.ok);
      if (i % 10 === 9) rig.feed.store.add(2, timeUs - 60_000, 500 + i, quality.outOfRange);
      if (i % 5 === 0) {
        const before = page.packets.length;
        await until(() => page.packets.length > before, 'a packet');
      }
    }
    await until(() => page.last.timeUs === timeUs, 'the newest time');
    const newest = rig.feed.store.binAt(20_000);
    const stored: PlotTrace = rig.feed.store.bins(2, 20_000, 0, newest + 1);
    const held = heldBins(page.packets, 5);
    for (let bin = 0; bin <= newest; bin++) {
      if (stored.quality[bin] === binNone) continue;
      expect(held.get(bin), `bin ${bin}`).toEqual([stored.low[bin], stored.high[bin], stored.quality[bin]]);
    }
  });

  it('refuses a subscription of another epoch, of channels that are not there, and nonsense', async () => {
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    expect(await page.subscribe({ epoch: 2, plots: [] })).toMatchObject({ ok: false, epoch: 1 });
    expect(await page.subscribe({ epoch: 1, channels: [3], plots: [] })).toMatchObject({ ok: false, error: 'no channel 3' });
    expect(await page.subscribe({ epoch: 1, plots: 'all' } as never)).toMatchObject({ ok: false });
    expect(await page.subscribe(null as never)).toMatchObject({ ok: false });
  });

  it('sends only the channels asked for, and nothing to a hidden page', async () => {
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    await page.subscribe({ epoch: 1, channels: [2, 0], plots: [] });
    rig.feed.store.add(2, 10_000, 4, quality.ok);
    await until(() => page.last.values.channel.length === 2, 'fewer channels');
    expect([...page.last.values.channel]).toEqual([0, 2]);
    await page.subscribe({ epoch: 1, plots: [], paused: true });
    const before = page.packets.length;
    const other = open();
    await until(() => other.packets.length >= 3, 'packets for another page');
    expect(page.packets).toHaveLength(before);
  });

  it.each([
    ['a foreign page', { origin: 'http://evil.example' }],
    ['a foreign page on this computer', { origin: 'http://localhost:1' }],
    ['nobody (no Origin)', {}],
    ['a rebound name', { origin: 'http://evil.example', host: 'evil.example' }],
    ['a sandboxed page', { origin: 'null' }],
  ])('refuses %s', async (_who, headers) => {
    expect(await open(headers).opened()).toBe(false);
    expect(rig.gateway.clientCount).toBe(0);
  });

  it('knows no transport but the websocket', async () => {
    const answer = await fetch(`${rig.url}/live/?EIO=4&transport=polling`, { headers: { origin: rig.url } });
    expect(answer.status).toBe(400);
    expect(rig.gateway.clientCount).toBe(0);
  });

  it('accepts a page by the name localhost', async () => {
    const url = rig.url.replace('127.0.0.1', 'localhost');
    expect(await open({ origin: url, host: url.slice('http://'.length) }).opened()).toBe(true);
  });

  it('ends a connection that sends more than a small message', async () => {
    const page = open();
    await until(() => page.packets.length > 0, 'the first packet');
    page.socket.emit('subscribe', { epoch: 1, plots: [], filler: 'x'.repeat(100_000) } as never, () => undefined);
    await until(() => page.closed, 'the connection ended');
  });

  it('refuses one page more than it can serve', async () => {
    for (let i = 0; i < liveClientsMax; i++) open();
    await until(() => rig.gateway.clientCount === liveClientsMax, 'a full house');
    expect(await open().opened()).toBe(false);
    pages[0]?.close();
    // Its place is free once its connection is closed too.
    await eventually(async () => expect(await open().opened()).toBe(true));
  });

  it('survives a connection that is cut in the middle of its handshake', async () => {
    const { port } = new URL(rig.url);
    const socket = createConnection(Number(port), '127.0.0.1');
    await new Promise((written) => socket.write('GET /live/?EIO=4&transport=websocket HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgr', written));
    socket.destroy();
    expect(await open().opened()).toBe(true);
  });
});
