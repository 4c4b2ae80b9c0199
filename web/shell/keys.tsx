// Keys that work on every page, and the list of them that `?` opens.
import { signal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { pages, toAddress } from '../router.tsx';
import type { Feed } from '../stream/feed.ts';
import { asked } from '../why/asked.ts';
import { acknowledgeFirst, warningSmall } from './alarm-actions.ts';
import { farView } from './looks.ts';
import { soundState, turnSoundOff, turnSoundOn } from './sound.ts';

export const keyHelpOpen = signal(false);

interface Shortcut {
  key: string;
  says: string;
  run(feed: Feed): void;
}

const shortcuts: Shortcut[] = [
  { key: 'k', says: 'Acknowledge the first alarm that waits for it', run: (feed) => void acknowledgeFirst(feed) },
  {
    key: 'v',
    says: 'Far view: few and huge numbers',
    run: () => {
      farView.value = !farView.value;
      if (farView.value) location.hash = toAddress('live');
    },
  },
  { key: 's', says: 'Sound on (with a test tone) or off', run: () => void (soundState.value === 'on' ? turnSoundOff() : turnSoundOn()) },
  {
    key: '?',
    says: 'These keys',
    run: () => {
      keyHelpOpen.value = !keyHelpOpen.value;
    },
  },
];

/** Puts the keys to work. They rest while a person types, and with Ctrl, Alt or the system's key held. */
export function useKeys(feed: Feed): void {
  useEffect(() => {
    let goPressed = false;
    const onKey = (event: KeyboardEvent) => {
      if (event.ctrlKey || event.altKey || event.metaKey || isTyping(event.target)) return;
      if (event.key === 'Escape') {
        closeTop();
        return;
      }
      const page = goPressed ? pages.find((entry) => entry.key === event.key) : undefined;
      goPressed = event.key === 'g';
      if (page) location.hash = toAddress(page.name);
      else shortcuts.find((shortcut) => shortcut.key === event.key)?.run(feed);
    };
    document.addEventListener('keydown', onKey);
    return () => document.removeEventListener('keydown', onKey);
  }, [feed]);
}

function closeTop(): void {
  if (keyHelpOpen.value) keyHelpOpen.value = false;
  else if (asked.value !== undefined) asked.value = [];
  else if (!warningSmall.value) warningSmall.value = true;
  else farView.value = false;
}

function isTyping(target: EventTarget | null): boolean {
  return target instanceof HTMLElement && target.matches('input, textarea, select, [contenteditable]');
}

export function KeyHelp() {
  const dialog = useRef<HTMLDialogElement>(null);
  const open = keyHelpOpen.value;
  useEffect(() => {
    if (open) dialog.current?.showModal();
    else dialog.current?.close();
  }, [open]);
  return (
    <dialog
      ref={dialog}
      class="panel key-help"
      aria-labelledby="key-help-title"
      onClose={() => {
        keyHelpOpen.value = false;
      }}
    >
      <h2 id="key-help-title">Keys</h2>
      <table>
        <tbody>
          {shortcuts.map(({ key, says }) => (
            <tr key={key}>
              <th scope="row">
                <kbd>{key}</kbd>
              </th>
              <td>{says}</td>
            </tr>
          ))}
          {pages.map(({ key, title }) => (
            <tr key={key}>
              <th scope="row">
                <kbd>g</kbd> <kbd>{key}</kbd>
              </th>
              <td>To the page {title}</td>
            </tr>
          ))}
          <tr>
            <th scope="row">
              <kbd>Esc</kbd>
            </th>
            <td>Close what lies on top</td>
          </tr>
        </tbody>
      </table>
      <form method="dialog">
        <button type="submit" class="button main">
          Close
        </button>
      </form>
    </dialog>
  );
}
