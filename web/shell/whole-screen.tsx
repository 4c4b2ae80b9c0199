// What takes the whole screen until it is answered: it holds the focus, and gives it back where it was.
import type { ComponentChildren } from 'preact';
import { useEffect, useRef } from 'preact/hooks';

interface WholeScreenProps {
  /** Ids of the elements that name and describe it. */
  labelledBy: string;
  describedBy: string;
  /** By Escape; absent: only its own buttons answer it. */
  onLeave?: () => void;
  children: ComponentChildren;
}

export function WholeScreen({ labelledBy, describedBy, onLeave, children }: WholeScreenProps) {
  const plate = useRef<HTMLDialogElement>(null);
  const isOver = useRef(false);
  const show = () => {
    plate.current?.showModal();
    // The focus goes to the plate and not to its button: a key pressed for something else must not answer it.
    plate.current?.focus();
  };
  useEffect(() => {
    const dialog = plate.current;
    const before = document.activeElement;
    show();
    return () => {
      isOver.current = true;
      dialog?.close();
      if (before instanceof HTMLElement && before.isConnected) before.focus();
    };
  }, []);
  return (
    <dialog
      class="whole-screen"
      role="alertdialog"
      aria-labelledby={labelledBy}
      aria-describedby={describedBy}
      tabIndex={-1}
      ref={plate}
      onCancel={(event) => {
        event.preventDefault();
        onLeave?.();
      }}
      onClose={() => {
        // A second Escape closes a dialog unasked.
        if (isOver.current) return;
        if (onLeave) onLeave();
        else show();
      }}
    >
      <div class="sheet">{children}</div>
    </dialog>
  );
}
