// Words about checks that belong to none of them.
export const alwaysSafety =
  'Advice only. Protection belongs in the engine controller. The data of device makers, local codes and the dyno operator come first.';

/** A run that was kept before runs had titles goes by the check's name. */
export function toCheckTitle({ check, title }: { check: string; title: string }): string {
  return title || check.charAt(0).toUpperCase() + check.slice(1).replaceAll('-', ' ');
}
