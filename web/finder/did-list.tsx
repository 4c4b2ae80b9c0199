// When somebody did something: pressed at its begin and end on the live bus, typed in seconds for a recorded session.
import { useSignal } from '@preact/signals';
import { toClockText } from '../shell/numbers.ts';
import { useFeed } from '../stream/feed.ts';

/** A stretch of session time in which it was done. */
export interface Did {
  fromUs: number;
  toUs: number;
}

interface DidListProps {
  done: readonly Did[];
  /** Session time of second 0 of what people read. */
  zeroUs: number;
  isLive: boolean;
  onDone(done: Did[]): void;
}

/** A press shorter than this was a slip. */
const shortestUs = 0.3e6;

export function DidList({ done, zeroUs, isLive, onDone }: DidListProps) {
  const add = (did: Did) => {
    if (did.toUs - did.fromUs >= shortestUs) onDone([...done, did].sort((a, b) => a.fromUs - b.fromUs));
  };
  const seconds = (us: number) => ((us - zeroUs) / 1e6).toFixed(1);
  return (
    <div class="did-list">
      {isLive ? <NowButton add={add} /> : <TypedStretch add={add} zeroUs={zeroUs} />}
      <ol class="plain">
        {done.map((did) => (
          <li key={`${did.fromUs} ${did.toUs}`}>
            {isLive ? `${toClockText((did.toUs - did.fromUs) / 1e6)}, from ` : ''}
            {seconds(did.fromUs)} s to {seconds(did.toUs)} s
            <button
              type="button"
              class="button slim"
              aria-label={`Forget ${seconds(did.fromUs)} s to ${seconds(did.toUs)} s`}
              onClick={() => onDone(done.filter((other) => other !== did))}
            >
              Forget
            </button>
          </li>
        ))}
      </ol>
      <p class="small quiet">
        Do it twice or more, with rests of the same length between: what only drifts doesn't follow that. A probe that cools slowly counts
        from begin to end of the heating.
      </p>
    </div>
  );
}

/** Pressed when it begins and again when it ends: big, for gloves. */
function NowButton({ add }: { add(did: Did): void }) {
  const feed = useFeed();
  const since = useSignal<number | undefined>(undefined);
  const press = () => {
    const nowUs = feed.timeUs.peek();
    if (since.value === undefined) since.value = nowUs;
    else {
      add({ fromUs: since.value, toUs: nowUs });
      since.value = undefined;
    }
  };
  const going = since.value !== undefined;
  return (
    <button type="button" class="button did-now" aria-pressed={going} disabled={feed.link.value !== 'live'} onClick={press}>
      {going ? <Going sinceUs={since.value ?? 0} /> : 'I am doing it now'}
    </button>
  );
}

function Going({ sinceUs }: { sinceUs: number }) {
  const feed = useFeed();
  return <>Doing it for {Math.max(0, (feed.timeUs.value - sinceUs) / 1e6).toFixed(0)} s: press when it ends</>;
}

function TypedStretch({ add, zeroUs }: { add(did: Did): void; zeroUs: number }) {
  const [from, to] = [useSignal(''), useSignal('')];
  const [fromS, toS] = [Number(from.value.replace(',', '.')), Number(to.value.replace(',', '.'))];
  const ready = from.value !== '' && to.value !== '' && fromS >= 0 && toS > fromS;
  const take = () => {
    add({ fromUs: zeroUs + fromS * 1e6, toUs: zeroUs + toS * 1e6 });
    from.value = to.value = '';
  };
  return (
    <div class="typed-stretch">
      <Seconds says="from" value={from} />
      <Seconds says="to" value={to} />
      <button type="button" class="button" disabled={!ready} onClick={take}>
        Add
      </button>
    </div>
  );
}

function Seconds({ says, value }: { says: string; value: { value: string } }) {
  return (
    <label>
      {says}, seconds from the session's begin
      <input
        type="text"
        inputMode="decimal"
        value={value.value}
        onInput={(event) => {
          value.value = event.currentTarget.value.trim();
        }}
      />
    </label>
  );
}
