// A place that follows, with its evidence: its bits, its values beside what it should follow, and a form that writes it down.
import { useComputed, useSignal } from '@preact/signals';
import type { FindingView, SearchView } from '../../server/contract/finder.ts';
import { BitGrid } from '../frames/bit-grid.tsx';
import { type TraceData, toTraceData } from '../plots/plot-data.ts';
import { StillPlot, timeAxis } from '../plots/still-plot.tsx';
import type { Stretch } from '../plots/stretch.ts';
import { toCountText, toNumberText } from '../shell/numbers.ts';
import { AcceptForm } from './accept-form.tsx';

export function FindingRow({ finding, search }: { finding: FindingView; search: SearchView }) {
  const { number, idHex, bus, bits, lengthBytes, page, defined, alike, frames } = finding;
  return (
    <li class="panel finding" data-id={idHex} data-number={number}>
      <h3>
        <span class="finding-number">{number}</span> <code>{idHex}</code> on {bus}, {toPlaceWords(finding)}
      </h3>
      <p>
        <b>{toFollowWords(finding)}</b>, over {toCountText(frames)} frames
        {page && (
          <>
            {' '}
            in which {page.bitLength === 4 ? (page.startBit & 7 ? 'the upper half of ' : 'the lower half of ') : ''}byte{' '}
            {page.startBit >> 3} is {page.value}
          </>
        )}
        .
      </p>
      {defined.length > 0 && <p>Already defined in these bits: {defined.join(', ')}.</p>}
      <BitGrid
        bytes=""
        lengthBytes={lengthBytes}
        lit={new Set(bits)}
        label={`${bits.length} bits of ${lengthBytes} bytes: most significant bit ${bits.at(-1)}, least ${bits[0]}`}
      />
      <EvidencePlot finding={finding} search={search} />
      {alike.length > 0 && (
        <p class="small quiet">Other places in the same bits follow about as well: {alike.map(toPlaceWords).join('; ')}.</p>
      )}
      <AcceptForm finding={finding} search={search} />
    </li>
  );
}

type Place = Pick<FindingView, 'startBit' | 'bitLength' | 'byteOrder' | 'sign'>;

/** `bytes 2 to 3, high byte first`, or by its start bit. */
function toPlaceWords({ startBit, bitLength, byteOrder, sign, ...rest }: Place & { signTold?: boolean }): string {
  const first = startBit >> 3;
  const count = bitLength / 8;
  const whole = bitLength % 8 === 0 && startBit % 8 === (byteOrder === 'little' ? 0 : 7);
  const place = whole
    ? count === 1
      ? `byte ${first}`
      : `bytes ${first} to ${first + count - 1}`
    : `start bit ${startBit}, ${bitLength} ${bitLength === 1 ? 'bit' : 'bits'}`;
  const order = bitLength > 8 ? `, ${byteOrder === 'big' ? 'high' : 'low'} byte first` : '';
  const signWords = sign === 'signed' ? ', signed' : rest.signTold === false ? ' (or signed: it was never that high)' : '';
  return `${place}${order}${signWords}`;
}

/** How well it follows, in words a person can judge. */
function toFollowWords({ r, lagS, riseS, swept }: FindingView): string {
  const share = r * r;
  const percent = share > 0.9995 ? 'all but nothing' : `${toNumberText(share * 100, share > 0.99 ? 1 : 0)} %`;
  const how = [
    r < 0 ? 'falling as that rises' : '',
    lagS !== 0 ? `${Math.abs(lagS)} s ${lagS > 0 ? 'later' : 'earlier'}` : '',
    riseS > 0 ? `answering within some ${riseS} s` : '',
    swept ? 'there and back' : '',
  ].filter(Boolean);
  const explains = share > 0.9995 ? 'Explains all of its movement' : `Explains ${percent} of its movement`;
  return [explains, ...how].join(', ');
}

function EvidencePlot({ finding, search }: { finding: FindingView; search: SearchView }) {
  const { plot, factor, offset, r } = finding;
  const whole = { from: 0, to: (plot.raw.low.length * plot.widthUs) / 1e6 };
  const stretch = useSignal<Stretch>(whole);
  const traces = useComputed(() => [
    { label: search.like ?? 'what was done', style: 0, data: toTrace(plot, plot.stimulus, (value) => value) },
    // Raw values in the unit of what it follows, so that both lie over each other.
    { label: 'found', style: 1, data: toTrace(plot, plot.raw, (value) => value * factor + offset) },
  ]);
  return (
    <div class="finding-plot">
      <StillPlot
        title={`raw × ${toShort(factor)} ${offset < 0 ? '−' : '+'} ${toShort(Math.abs(offset))}`}
        unit={search.unit}
        traces={traces.value}
        limits={[]}
        axis={timeAxis}
        stretch={stretch.value}
        cursors={[]}
        onStretch={({ from, to }) => {
          stretch.value = to - from >= whole.to ? whole : { from, to };
        }}
        onPress={() => undefined}
        onNudge={() => undefined}
      />
      <span class="visually-hidden">correlation {r.toFixed(4)}</span>
    </div>
  );
}

type Plotted = FindingView['plot'];

function toTrace({ widthUs }: Plotted, { low, high }: Plotted['raw'], scale: (value: number) => number): TraceData {
  const scaled = (values: readonly (number | null)[]) => values.map((value) => (value === null ? null : scale(value)));
  const [a, b] = [scaled(low), scaled(high)];
  // A negative factor turns lowest and highest around.
  const lower = a.map((value, i) => (value === null ? null : Math.min(value, b[i] ?? value)));
  const upper = b.map((value, i) => (value === null ? null : Math.max(value, a[i] ?? value)));
  const quality = low.map((value) => (value === null ? codeHeld : codeOk));
  const window = { epoch: 0, timeUs: 0, widthUs, first: 0, count: low.length, traces: [] };
  return toTraceData(window, { channel: '', index: 0, unit: '', low: lower, high: upper, quality }, 0);
}

/** As in WindowView. */
const codeOk = 0;
const codeHeld = 5;

/** Six digits. */
function toShort(value: number): string {
  return String(Number(value.toPrecision(6)));
}
