// Asks before the server starts again while something is under way: what it would interrupt, and what is missing meanwhile.
import { useEffect, useRef } from 'preact/hooks';

interface Props {
  /** What is under way, as the server says it. */
  say: string;
  onYes(): void;
  onNo(): void;
}

export function StartAgainQuestion({ say, onYes, onNo }: Props) {
  const dialog = useRef<HTMLDialogElement>(null);
  useEffect(() => dialog.current?.showModal(), []);
  return (
    <dialog ref={dialog} class="panel start-again" aria-labelledby="start-again-title" onClose={onNo}>
      <h2 id="start-again-title">Start the server again now?</h2>
      <p>{toSentence(say)}</p>
      <p>Until it is back nothing is recorded, no value is shown on any device, and no alarm is raised.</p>
      <div class="start-again-choice">
        <form method="dialog">
          <button type="submit" class="button main">
            Let it go on
          </button>
        </form>
        <button type="button" class="button" onClick={onYes}>
          Start again all the same
        </button>
      </div>
    </dialog>
  );
}

function toSentence(say: string): string {
  return `${say.charAt(0).toUpperCase()}${say.slice(1)}.`;
}
