// The layout that comes out of a table: every frame bit by bit, each bit with the number of its signal, conflicts and turns marked.
import '../frames/bit-grid.css';
import type { TableView } from '../../server/contract/table-import.ts';

type PlacedFrame = TableView['frames'][number];
type PlacedSignal = PlacedFrame['signals'][number];

/** More frames than a page can show at once; the file holds all. */
const framesShownMax = 60;

export function LayoutPreview({ view: { frames } }: { view: TableView }) {
  if (frames.length === 0) return null;
  const signals = frames.reduce((count, frame) => count + frame.signals.length, 0);
  return (
    <section class="layout" aria-labelledby="layout-title">
      <h2 id="layout-title">
        Layout{' '}
        <span class="quiet" role="status">
          {frames.length} {frames.length === 1 ? 'frame' : 'frames'}, {signals} {signals === 1 ? 'signal' : 'signals'}
        </span>
      </h2>
      <ol class="plain layout-frames">
        {frames.slice(0, framesShownMax).map((frame) => (
          <FrameLayout key={`${frame.name} ${frame.row}`} frame={frame} />
        ))}
      </ol>
      {frames.length > framesShownMax && <p class="quiet">and {frames.length - framesShownMax} more, in the device file</p>}
    </section>
  );
}

function FrameLayout({ frame }: { frame: PlacedFrame }) {
  const takers = takersOf(frame);
  const bytes = Math.max(frame.lengthBytes, ...[...takers.keys()].map((bit) => (bit >> 3) + 1));
  return (
    <li class="panel layout-frame" data-frame={frame.name}>
      <p>
        <code class="frame-id">{toIdText(frame)}</code> <b>{frame.name}</b>{' '}
        <span class="quiet">
          {frame.lengthBytes} {frame.lengthBytes === 1 ? 'byte' : 'bytes'}
        </span>
      </p>
      <div class="layout-bytes" aria-hidden="true">
        {Array.from({ length: bytes }, (_, byte) => (
          <div key={byte} class="byte" data-outside={byte >= frame.lengthBytes || undefined}>
            <span class="byte-number">{byte}</span>
            <span class="bits">
              {[7, 6, 5, 4, 3, 2, 1, 0].map((bit) => {
                const numbers = takers.get(byte * 8 + bit) ?? [];
                // Signals of a multiplexed frame lie in the same bits by turns.
                const isClash = numbers.length > 1 && numbers.some((number) => frame.signals[number - 1]?.conflict);
                const clash = isClash || (numbers.length > 0 && byte >= frame.lengthBytes);
                return (
                  <span
                    key={bit}
                    class="bit"
                    data-taken={numbers.length > 0 ? ((numbers[0] as number) % 2 === 0 ? 'even' : 'odd') : undefined}
                    data-clash={clash || undefined}
                  >
                    {clash ? '!' : numbers.length > 1 ? '+' : numbers[0]}
                  </span>
                );
              })}
            </span>
          </div>
        ))}
      </div>
      <ol class="layout-signals">
        {frame.signals.map((signal) => (
          <li key={`${signal.name} ${signal.row}`} data-conflict={signal.conflict || undefined}>
            {signal.name}{' '}
            <span class="quiet">{[signal.unit, toBitsText(signal), signal.when && `when ${signal.when}`].filter(Boolean).join(', ')}</span>
            {signal.conflict && <b> in conflict, row {signal.row}</b>}
          </li>
        ))}
      </ol>
    </li>
  );
}

/** Bit → numbers (from 1) of the signals that take it. */
function takersOf({ signals }: PlacedFrame): Map<number, number[]> {
  const takers = new Map<number, number[]>();
  for (const [i, { bits }] of signals.entries()) {
    for (const bit of bits) takers.set(bit, [...(takers.get(bit) ?? []), i + 1]);
  }
  return takers;
}

function toIdText({ id, pgn, extended }: PlacedFrame): string {
  if (pgn !== undefined) return `group ${pgn}`;
  return `0x${(id ?? 0)
    .toString(16)
    .toUpperCase()
    .padStart(extended ? 8 : 3, '0')}`;
}

/** `byte 2`, `bytes 2 to 3`, `byte 6 bits 4 to 5`. */
function toBitsText({ bits }: PlacedSignal): string {
  if (bits.length === 0) return 'nowhere';
  const bytes = bits.map((bit) => bit >> 3);
  const [first, last] = [Math.min(...bytes), Math.max(...bytes)];
  if (bits.length === (last - first + 1) * 8) return first === last ? `byte ${first}` : `bytes ${first} to ${last}`;
  const [low, high] = [Math.min(...bits), Math.max(...bits)];
  if (first === last) return low === high ? `byte ${first} bit ${low & 7}` : `byte ${first} bits ${low & 7} to ${high & 7}`;
  return `${bits.length} bits in bytes ${first} to ${last}`;
}
