// A line that counts for the eye, and says for the ear only what has changed: a screen reader that speaks each second is switched off.

interface CalmStatusProps {
  class: string;
  /** What is read by the eye; may change as often as it likes. */
  shown: string;
  /** The same without what runs: spoken whenever it changes. */
  spoken: string;
}

export function CalmStatus({ class: look, shown, spoken }: CalmStatusProps) {
  return (
    <>
      <p class={look} aria-hidden="true">
        {shown}
      </p>
      <p class="visually-hidden" role="status">
        {spoken}
      </p>
    </>
  );
}

/** Seconds that are left, as they are spoken: in tens, and the last five. */
export function toSpokenSeconds(leftS: number): number {
  return leftS > 5 ? Math.ceil(leftS / 10) * 10 : 5;
}
