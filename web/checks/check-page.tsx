// What every page below Checks begins with: the way back, its title, and what went wrong.
import type { ComponentChildren } from 'preact';
import { toAddress } from '../router.tsx';
import { Problem } from '../shell/work.tsx';

export interface CheckPageProps {
  title: string;
  /** Empty while all is well. */
  problem: string;
  children: ComponentChildren;
}

export function CheckPage({ title, problem, children }: CheckPageProps) {
  return (
    <div class="page checks-page">
      <p class="no-print">
        <a class="button" href={toAddress('checks')}>
          All checks
        </a>
      </p>
      <h1>{title}</h1>
      <Problem text={problem} />
      {children}
    </div>
  );
}
