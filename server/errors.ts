// Every error the program can name: its message, its cure, the exit code of a command and the HTTP status of a request.

interface ErrorKind {
  /** `{name}` is replaced by the detail of that name. */
  message: string;
  cure: string;
  /** 1 the answer is no, 2 usage, 3 input can't be read, 4 the machine refuses. */
  exit: 1 | 2 | 3 | 4;
  http: number;
}

/** One row an error; codes are AREA_WHAT_IS_WRONG and are never reused. docs/errors.md lists the same codes (a test compares). */
export const errorTable = {
  UNIT_UNKNOWN: { message: "unknown unit '{unit}'", cure: 'Use a unit of docs/units.md.', exit: 3, http: 400 },
  UNIT_DIMENSIONS_DIFFER: {
    message: "'{from}' and '{to}' measure different things",
    cure: 'Convert only between units of one kind.',
    exit: 3,
    http: 400,
  },
  USAGE_WRONG: { message: '{what}', cure: 'See `evenburn --help`.', exit: 2, http: 400 },
  INPUT_FILE_MISSING: { message: '{path}: no such file', cure: 'Check the path.', exit: 3, http: 404 },
  INPUT_FILE_UNREADABLE: { message: '{path}: {why}', cure: 'Check the file and its permissions.', exit: 3, http: 400 },
  VEHICLE_INVALID: {
    message: '{path}: the vehicle folder has errors',
    cure: 'Run `evenburn validate {path}` and mend what it lists.',
    exit: 3,
    http: 422,
  },
  SESSION_UNKNOWN: { message: 'no session {session}', cure: 'List them on the Sessions page.', exit: 3, http: 404 },
  PORT_IN_USE: { message: 'port {port} is in use', cure: 'Stop the other program, or choose another with --port N.', exit: 4, http: 500 },
  DATA_IN_USE: {
    message: '{path} is in use by another server (process {pid})',
    cure: 'Stop it, or choose another folder with --data DIR.',
    exit: 4,
    http: 500,
  },
} as const satisfies Record<string, ErrorKind>;

export type ErrorCode = keyof typeof errorTable;

/** An operating error with a code of `errorTable`; `message` and `cure` are filled in from its details. */
export class EvenburnError extends Error {
  readonly code: ErrorCode;
  readonly cure: string;
  readonly details: Readonly<Record<string, string | number>>;

  constructor(code: ErrorCode, details: Record<string, string | number> = {}, cause?: unknown) {
    super(filled(errorTable[code].message, details), cause === undefined ? undefined : { cause });
    this.name = 'EvenburnError';
    this.code = code;
    this.cure = filled(errorTable[code].cure, details);
    this.details = details;
  }

  get exitCode(): number {
    return errorTable[this.code].exit;
  }

  get httpStatus(): number {
    return errorTable[this.code].http;
  }
}

function filled(text: string, details: Record<string, string | number>): string {
  return text.replace(/\{(\w+)\}/g, (whole, name: string) => (name in details ? String(details[name]) : whole));
}
