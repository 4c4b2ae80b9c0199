// The alarms that stand: worst first, which came first, and the acknowledgement.
import './alarms.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { AlarmEvent, AlarmState } from '../../server/contract/alarms.ts';
import { toAddress } from '../router.tsx';
import { acknowledge, acknowledgeProblem } from '../shell/alarm-actions.ts';
import { Cause } from '../shell/alarm-layer.tsx';
import { AlarmSign, severityWords } from '../shell/alarm-sign.tsx';
import { toClockText } from '../shell/numbers.ts';
import { Problem } from '../shell/work.tsx';
import { useFeed } from '../stream/feed.ts';
import { askWhy } from '../why/asked.ts';

export function AlarmList() {
  const feed = useFeed();
  const { active } = feed.alarms.value;
  return (
    <section class="alarms panel" aria-label="Alarms">
      <h2>
        Alarms <span class="count">{active.length === 0 ? '' : active.length}</span>
      </h2>
      {active.length === 0 && <p class="quiet">No alarm stands.</p>}
      <ol class="plain">
        {active.map((alarm) => (
          <AlarmRow key={alarm.name} alarm={alarm} />
        ))}
      </ol>
      <Problem text={acknowledgeProblem.value} />
      <PastAlarms />
    </section>
  );
}

function AlarmRow({ alarm }: { alarm: AlarmState }) {
  const feed = useFeed();
  return (
    <li class="alarm-row" data-severity={alarm.severity} data-alarm={alarm.name} data-acknowledged={alarm.acknowledged}>
      <AlarmSign severity={alarm.severity} />
      <div class="what">
        <p class="head">
          <span class="severity">{severityWords[alarm.severity]}</span>{' '}
          <span class="small">{alarm.state === 'latched' ? 'passed, stays until acknowledged' : <Since sinceUs={alarm.sinceUs} />}</span>
        </p>
        <p class="name">{alarm.name}</p>
        <Cause alarm={alarm} />
        {alarm.advice && <p class="advice">{alarm.advice}</p>}
        {alarm.channel && (
          <p class="alarm-links">
            {feed.findChannel(alarm.channel) && (
              <button type="button" class="alarm-pins alarm-why" onClick={() => askWhy(alarm.channel ?? '', feed)}>
                Down to the wire
              </button>
            )}
            <a class="alarm-pins" href={`${toAddress('harness')}?channel=${encodeURIComponent(alarm.channel)}`}>
              Pins to probe
            </a>
          </p>
        )}
        {alarm.acknowledged && <p class="small quiet">acknowledged{alarm.acknowledgedBy ? ` by ${alarm.acknowledgedBy}` : ''}</p>}
      </div>
      {!alarm.acknowledged && feed.mode === 'live' && (
        <button type="button" class="button" onClick={() => void acknowledge(feed, alarm.name)} aria-label={`Acknowledge ${alarm.name}`}>
          Acknowledge
        </button>
      )}
    </li>
  );
}

/** For how long it has stood, by session time, once a second. */
function Since({ sinceUs }: { sinceUs: number }) {
  const feed = useFeed();
  const text = useSignal('');
  useEffect(() => {
    const show = () => {
      text.value = `for ${toClockText((feed.timeUs.peek() - sinceUs) / 1e6)}`;
    };
    show();
    const timer = setInterval(show, 1000);
    return () => clearInterval(timer);
  }, [feed, sinceUs]);
  return <>{text}</>;
}

const eventWords: Record<AlarmEvent['event'], string> = {
  raised: 'came',
  cleared: 'over',
  acknowledged: 'acknowledged',
  removed: 'no longer defined',
};
const shownMax = 40;

function PastAlarms() {
  const events = useFeed().alarmEvents.value;
  if (events.length === 0) return null;
  const newestFirst = events.slice(-shownMax).reverse();
  return (
    <details class="past">
      <summary>What came before</summary>
      <ol class="plain">
        {newestFirst.map((event) => (
          <li key={event.sequence} class="small">
            <time>{new Date(event.wallMs).toLocaleTimeString()}</time> {event.alarm}: <b>{eventWords[event.event]}</b>
            {event.firstOut && event.event === 'raised' ? ', first' : ''}
            {event.by ? ` by ${event.by}` : ''}
          </li>
        ))}
      </ol>
    </details>
  );
}
