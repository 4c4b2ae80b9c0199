// Choices that this browser remembers, and no other: kept in its local storage.
import { effect, type Signal, signal } from '@preact/signals';

/** A choice that this browser remembers; falls back where storage is refused. */
export function remembered<T extends string>(key: string, choices: readonly T[], first: T): Signal<T> {
  const choice = signal(first);
  try {
    const kept = localStorage.getItem(`evenburn.${key}`);
    if (choices.includes(kept as T)) choice.value = kept as T;
  } catch {
    // Private windows may refuse storage: the choice then lives as long as the page.
  }
  effect(() => {
    try {
      localStorage.setItem(`evenburn.${key}`, choice.value);
    } catch {
      // As above.
    }
  });
  return choice;
}
