// How this browser wants the pages: theme, contrast, view. Kept in this browser alone.
import { computed, effect, type Signal, signal } from '@preact/signals';

export type ThemeChoice = 'system' | 'dark' | 'light';
export type ContrastChoice = 'system' | 'normal' | 'more';

const darkSystem = matchMedia('(prefers-color-scheme: dark)');
const moreContrastSystem = matchMedia('(prefers-contrast: more)');
const systemChanged = signal(0);
darkSystem.addEventListener('change', () => systemChanged.value++);
moreContrastSystem.addEventListener('change', () => systemChanged.value++);

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

export const themeChoice = remembered<ThemeChoice>('theme', ['system', 'dark', 'light'], 'system');
export const contrastChoice = remembered<ContrastChoice>('contrast', ['system', 'normal', 'more'], 'system');
/** Far view: few and huge numbers, for a screen across the room. */
export const farView = signal(false);

const theme = computed(() => {
  systemChanged.value;
  return themeChoice.value === 'system' ? (darkSystem.matches ? 'dark' : 'light') : themeChoice.value;
});
const contrast = computed(() => {
  systemChanged.value;
  return contrastChoice.value === 'system' ? (moreContrastSystem.matches ? 'more' : 'normal') : contrastChoice.value;
});

/** Puts the choices on the document, now and whenever they change. */
export function applyLooks(): void {
  effect(() => {
    document.documentElement.dataset.theme = theme.value;
    document.documentElement.dataset.contrast = contrast.value;
    document.documentElement.dataset.view = farView.value ? 'far' : 'near';
  });
}

/** Changes whenever colours change, so that what is drawn on a canvas can be drawn anew. */
export const looksKey = computed(() => `${theme.value} ${contrast.value}`);
