// A table that may be wider than the screen: it scrolls by itself, by keyboard too.
import type { ComponentChildren } from 'preact';

export function Wide({ label, children }: { label: string; children: ComponentChildren }) {
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: what scrolls has to be reachable by keyboard (WCAG 2.1.1)
    <section class="scroll-x" tabIndex={0} aria-label={label}>
      {children}
    </section>
  );
}
