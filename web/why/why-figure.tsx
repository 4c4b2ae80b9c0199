// A derived figure that may be asked where it comes from.
import type { ComponentChildren } from 'preact';
import { askWhyFigure } from './asked.ts';

interface WhyFigureProps {
  /** Its address (`toFigureAddress`); undefined: nothing more is known of it. */
  of: string | undefined;
  children: ComponentChildren;
}

export function WhyFigure({ of, children }: WhyFigureProps) {
  if (of === undefined) return <>{children}</>;
  return (
    <button type="button" class="reading why-at" data-figure={of} title="Why this number?" onClick={() => askWhyFigure(of)}>
      {children}
    </button>
  );
}
