// The sign of a severity: a shape of its own for each, so that it is told without colour.
import type { AlarmState } from '../../server/contract/alarms.ts';

export type Severity = AlarmState['severity'];

export const severityWords: Record<Severity, string> = { warning: 'Warning', caution: 'Caution', advisory: 'Advisory' };

/** Warning: an eight-cornered plate with a bar. Caution: a lying diamond. Advisory: a ring. */
export function AlarmSign({ severity }: { severity: Severity }) {
  return (
    <svg viewBox="0 0 32 32" class={`alarm-sign ${severity}`} aria-hidden="true">
      {severity === 'warning' && (
        <>
          <path d="M10.2 2h11.600L30 10.200v11.600L21.8 30H10.200L2 21.800V10.200z" class="plate" />
          <path d="M14 7h4l-.8 12h-2.400zM14.3 21.500h3.400v3.500h-3.400z" class="mark" />
        </>
      )}
      {severity === 'caution' && (
        <>
          <path d="M16 2l14 14-14 14L2 16z" class="plate" />
          <path d="M14.3 8h3.400l-.6 9.500h-2.200zM14.5 19.500h3v3h-3z" class="mark" />
        </>
      )}
      {severity === 'advisory' && (
        <>
          <circle cx="16" cy="16" r="13" class="plate" />
          <path d="M14.5 13.500h3V24h-3zM14.5 8h3v3h-3z" class="mark" />
        </>
      )}
    </svg>
  );
}
