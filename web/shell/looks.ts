// How this browser wants the pages: theme, contrast, view. Kept in this browser alone.
import { computed, effect, signal } from '@preact/signals';
import { remembered } from './remembered.ts';

export type ThemeChoice = 'system' | 'dark' | 'light';
export type ContrastChoice = 'system' | 'normal' | 'more';

const darkSystem = matchMedia('(prefers-color-scheme: dark)');
const moreContrastSystem = matchMedia('(prefers-contrast: more)');
const systemChanged = signal(0);
darkSystem.addEventListener('change', () => systemChanged.value++);
moreContrastSystem.addEventListener('change', () => systemChanged.value++);

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
