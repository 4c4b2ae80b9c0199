// Alarms on every page: the whole screen for a warning that nobody has acknowledged, words for a screen reader, and the sound.
import { useComputed } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { AlarmState } from '../../server/contract/alarms.ts';
import { useFeed } from '../stream/feed.ts';
import { asked } from '../why/asked.ts';
import { acknowledge, acknowledgeProblem, waiting, warningSmall } from './alarm-actions.ts';
import { AlarmSign, severityWords } from './alarm-sign.tsx';
import { keyHelpOpen } from './keys.tsx';
import { toWords } from './numbers.ts';
import { followAlarms } from './sound.ts';
import { isDifference, toQuantityText } from './units.ts';
import { WholeScreen } from './whole-screen.tsx';

export function AlarmLayer() {
  const feed = useFeed();
  const warnings = useComputed(() => waiting(feed.alarms.value.active).filter((alarm) => alarm.severity === 'warning'));
  const newest = Math.max(0, ...warnings.value.map((alarm) => alarm.sequence));
  useEffect(() => {
    if (newest === 0) return;
    // A panel that lies open would cover the warning.
    asked.value = [];
    keyHelpOpen.value = false;
    warningSmall.value = false;
  }, [newest]);
  useEffect(() => {
    if (feed.mode !== 'live') return;
    followAlarms(() => {
      const [first] = waiting(feed.alarms.value.active);
      return first && first.severity !== 'advisory' ? first.severity : 'none';
    });
  }, [feed]);
  const [first, ...others] = warnings.value;
  return (
    <>
      <Announcer />
      {first && (warningSmall.value ? <WarningBand first={first} others={others} /> : <FullWarning first={first} others={others} />)}
    </>
  );
}

/** Says each new alarm once, at once. */
function Announcer() {
  const feed = useFeed();
  const words = useComputed(() => {
    const newest = [...feed.alarms.value.active].sort((a, b) => b.sequence - a.sequence)[0];
    return newest && !newest.acknowledged ? `${severityWords[newest.severity]}: ${newest.name}. ${newest.advice}` : '';
  });
  return (
    <div class="visually-hidden" role="alert">
      {words}
    </div>
  );
}

interface WarningProps {
  first: AlarmState;
  others: AlarmState[];
}

function FullWarning({ first, others }: WarningProps) {
  const feed = useFeed();
  const makeSmall = () => {
    warningSmall.value = true;
  };
  return (
    <WholeScreen labelledBy="warning-name" describedBy="warning-advice" onLeave={makeSmall}>
      <p class="severity">
        <AlarmSign severity="warning" />
        Warning
        {feed.mode === 'replay' && <span> in this recording</span>}
      </p>
      <p class="name" id="warning-name">
        {first.name}
      </p>
      <p class="advice" id="warning-advice">
        {first.advice || 'Look at the engine'}
      </p>
      <Cause alarm={first} />
      {others.length > 0 && <p class="others">And {others.map((alarm) => alarm.name).join(', ')}</p>}
      <div class="acts">
        {feed.mode === 'live' && (
          <button type="button" class="button glove" onClick={() => void acknowledge(feed, first.name)}>
            Acknowledge
          </button>
        )}
        <button type="button" class="button glove plain-act" onClick={makeSmall}>
          Show the page
        </button>
      </div>
      {acknowledgeProblem.value && <p class="problem">{acknowledgeProblem}</p>}
    </WholeScreen>
  );
}

function WarningBand({ first, others }: WarningProps) {
  const feed = useFeed();
  return (
    <section class="warning-band" aria-label="Warning">
      <AlarmSign severity="warning" />
      <strong>{first.name}</strong>
      <span class="advice">{first.advice}</span>
      {others.length > 0 && <span>and {others.length} more</span>}
      {feed.mode === 'live' && (
        <button type="button" class="button" onClick={() => void acknowledge(feed, first.name)}>
          Acknowledge
        </button>
      )}
    </section>
  );
}

/** What the alarm saw when it was raised, and that it came first. */
export function Cause({ alarm }: { alarm: AlarmState }) {
  const difference = isDifference(useFeed().findChannel(alarm.channel ?? ''));
  return (
    <p class="cause">
      {alarm.channel && (
        <>
          {toWords(alarm.channel)}{' '}
          <strong>{alarm.value === null ? alarm.quality : toQuantityText(alarm.value, alarm.unit, { difference })}</strong> when it came
        </>
      )}
      {alarm.firstOut && <span class="first-out">came first</span>}
      {alarm.unknown && <span class="unknown">can't be judged now</span>}
    </p>
  );
}
