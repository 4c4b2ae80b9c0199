// One thing that `doctor` found out about this computer.

/** `wrong`: the program can't do its work; `note`: something is missing or could be better; `ok`: as it should be. */
export type FindingState = 'ok' | 'note' | 'wrong';

export interface Finding {
  /** kebab-case; what was looked at. */
  code: string;
  state: FindingState;
  /** The interface, port, folder or the like; left out where there is only one. */
  subject?: string;
  say: string;
  /** The command, or the deed, that mends it. */
  fix?: string;
  /** What was measured or read, by name with its unit. */
  measured?: Readonly<Record<string, number | string | boolean>>;
}
