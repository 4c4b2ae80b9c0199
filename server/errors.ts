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
  INPUT_NOT_A_RECORDING: {
    message: '{path}: not a recording that can be read: {why}',
    cure: 'Give a text log, pcap or pcapng of CAN frames, or CSV (docs/recorded-files.md).',
    exit: 3,
    http: 422,
  },
  VEHICLE_INVALID: {
    message: '{path}: the vehicle folder has errors',
    cure: 'Run `evenburn validate {path}` and mend what it lists.',
    exit: 3,
    http: 422,
  },
  SCENARIO_MISSING: {
    message: "no scenario '{scenario}', neither as a file nor by name",
    cure: 'Give the path of a scenario file, or demo (docs/simulator.md).',
    exit: 3,
    http: 404,
  },
  SCENARIO_INVALID: { message: '{path}: the scenario has errors', cure: 'Mend what is listed above it.', exit: 3, http: 422 },
  OUTPUT_FILE_UNWRITABLE: {
    message: '{path} cannot be written: {why}',
    cure: 'Check the folder, its permissions and the disk.',
    exit: 4,
    http: 500,
  },
  OUTPUT_FILE_EXISTS: {
    message: '{path} is there already',
    cure: 'Choose another name, or overwrite it with --force.',
    exit: 2,
    http: 409,
  },
  TABLE_UNREADABLE: {
    message: "{path}: no row of headings says a signal's name, its frame's id and where it lies",
    cure: 'Name the columns, on the page or with --columns (docs/table-import.md).',
    exit: 3,
    http: 422,
  },
  HARNESS_TABLE_UNREADABLE: {
    message: '{path}: no row of headings says from where to where its wires run',
    cure: 'Name the columns from and to (docs/harness.md).',
    exit: 3,
    http: 422,
  },
  TABLE_CONFLICTS: {
    message: 'the table has {count} conflicts, the first: {first}',
    cure: 'Mend what is listed with its row, or choose how the manual counts.',
    exit: 1,
    http: 422,
  },
  DEVICE_EXISTS: {
    message: "there is a device '{device}' already, in {path}",
    cure: 'Give this one another name; no file is overwritten.',
    exit: 2,
    http: 409,
  },
  BUS_UNKNOWN: { message: "no bus '{bus}' in vehicle.yaml", cure: 'Its name is a key of `buses:`.', exit: 3, http: 404 },
  DEFINITION_NOT_WRITTEN: {
    message: '{path} is not written, the vehicle would be faulty with it: {why}',
    cure: 'Mend that first.',
    exit: 3,
    http: 422,
  },
  STIMULUS_SILENT: {
    message: "channel '{channel}' has no sample in the recording",
    cure: 'Name another, or --during.',
    exit: 3,
    http: 422,
  },
  SEARCH_UNKNOWN: { message: 'no search {search}', cure: 'It may have been forgotten: begin it again.', exit: 3, http: 404 },
  SEARCHES_TOO_MANY: { message: 'too many searches wait already', cure: 'Cancel one, or wait.', exit: 4, http: 409 },
  SEARCH_NOT_RECORDED: {
    message: 'nothing is being recorded, so that there is nothing to search',
    cure: 'Look at the state of recording on top of the page, or choose a recorded session.',
    exit: 4,
    http: 409,
  },
  SEARCH_TOO_LONG: {
    message: 'there are more than {frames} frames to search',
    cure: 'Choose a shorter stretch, in which the signal moves.',
    exit: 3,
    http: 422,
  },
  FINDING_UNKNOWN: {
    message: 'there is no finding {number}, only {count}',
    cure: 'Search again; the command lists them when it runs without --accept.',
    exit: 2,
    http: 404,
  },
  FINDING_NOT_WRITTEN: {
    message: "'{name}' can't be added: {why}",
    cure: 'Choose another name or device, or add it by hand.',
    exit: 3,
    http: 422,
  },
  DEFINITION_CHANGED: {
    message: 'the file has changed since it was read',
    cure: 'Read it again and repeat the change.',
    exit: 3,
    http: 409,
  },
  DEFINITION_PLACE_UNKNOWN: { message: "'{where}' is not in the file", cure: 'Read the file again.', exit: 3, http: 404 },
  DEFINITION_NAME_TAKEN: { message: "there is a '{name}' beside it already", cure: 'Choose another name.', exit: 3, http: 409 },
  DEFINITION_NOT_SPLICED: {
    message: "'{where}' is written so that only a person can change it",
    cure: 'Change it in a text editor.',
    exit: 3,
    http: 422,
  },
  SESSION_UNKNOWN: { message: 'no session {session}', cure: 'List them on the Sessions page.', exit: 3, http: 404 },
  SIMULATOR_NOT_RUNNING: {
    message: 'no bus of this server is simulated',
    cure: 'Start with `--bus NAME=simulator`.',
    exit: 3,
    http: 409,
  },
  SIMULATOR_FAULT_WRONG: { message: 'this fault can not be put in: {why}', cure: '{fix}', exit: 3, http: 400 },
  PORT_IN_USE: { message: 'port {port} is in use', cure: 'Stop the other program, or choose another with --port N.', exit: 4, http: 500 },
  DATA_IN_USE: {
    message: '{path} is in use by another server (process {pid})',
    cure: 'Stop it, or choose another folder with --data DIR.',
    exit: 4,
    http: 500,
  },
  DATA_UNWRITABLE: {
    message: '{path}: cannot be written ({why})',
    cure: 'Check the folder, its permissions and the disk, or choose another with --data DIR.',
    exit: 4,
    http: 500,
  },
  DISK_FULL: {
    message: '{path}: the disk is full',
    cure: 'Free space (delete or move old sessions); recording then starts again by itself, everything else is yours to repeat.',
    exit: 4,
    http: 507,
  },
  DATABASE_LOCKED: {
    message: '{path}: another program holds it locked',
    cure: 'Close the program that has this file open.',
    exit: 4,
    http: 503,
  },
  SQLITE_TOO_OLD: {
    message: 'SQLite {version} can damage files; {needed} or later is needed',
    cure: 'Install the packages again (npm ci), so that better-sqlite3 brings its own.',
    exit: 4,
    http: 500,
  },
  SESSION_DAMAGED: {
    message: '{path}: {why}',
    cure: 'Save what can be read with `evenburn repair SESSION -o PATH`.',
    exit: 3,
    http: 422,
  },
  SESSION_FILE_REFUSED: {
    message: '{path} is not taken in: {why}',
    cure: 'Get it as `evenburn export SESSION --format session` or the Sessions page makes it; a damaged one is saved first, with `evenburn repair`, where it was recorded.',
    exit: 3,
    http: 422,
  },
  SESSION_TOO_NEW: {
    message: '{path}: written by a newer version (format {have}, this program knows {know})',
    cure: 'Install the newer version of the program.',
    exit: 3,
    http: 422,
  },
  SESSION_RECORDING: {
    message: 'session {session} is still being recorded',
    cure: 'Wait until it has ended, or stop the server.',
    exit: 4,
    http: 409,
  },
  CHANNEL_UNKNOWN: { message: "no channel '{channel}' in session {session}", cure: 'Check its name.', exit: 3, http: 404 },
  READING_UNKNOWN: {
    message: 'session {session} has no reading {reading}',
    cure: 'List its readings on the Sessions page.',
    exit: 3,
    http: 404,
  },
  IMPORT_UNKNOWN: { message: 'no import {job}', cure: 'It may have been forgotten; look at the sessions.', exit: 3, http: 404 },
  IMPORT_TOO_LARGE: {
    message: 'the file is larger than {megabytes} MB',
    cure: 'Import it with `evenburn import` on the computer that records.',
    exit: 3,
    http: 413,
  },
  IMPORT_BROKEN_OFF: { message: 'the file did not come whole', cure: 'Send it again.', exit: 3, http: 400 },
  IMPORTS_TOO_MANY: { message: '{count} files wait to be imported already', cure: 'Wait until some are done.', exit: 4, http: 429 },
  REREAD_UNKNOWN: { message: 'no re-reading {job}', cure: 'It may have been forgotten; look at the sessions.', exit: 3, http: 404 },
  SESSION_BUSY: {
    message: 'session {session} is being read again',
    cure: 'Wait until that has ended, or cancel it on the Sessions page.',
    exit: 4,
    http: 409,
  },
  ORIGIN_REFUSED: {
    message: "a request for '{host}' or from another page is refused",
    cure: 'Open the page by the address that the program printed.',
    exit: 4,
    http: 403,
  },
  ACCESS_LOGIN_NEEDED: {
    message: 'log in first',
    cure: 'Open the page and give the passphrase of the crew or of viewers.',
    exit: 4,
    http: 401,
  },
  ACCESS_CREW_NEEDED: { message: 'viewers only watch', cure: 'Log out, and log in with the passphrase of the crew.', exit: 4, http: 403 },
  ACCESS_PASSPHRASE_WRONG: {
    message: 'this passphrase is wrong',
    cure: 'Type the one that the program printed, or make new ones with --new-passphrases.',
    exit: 4,
    http: 401,
  },
  ACCESS_TRIES_TOO_MANY: { message: 'too many wrong passphrases from this device', cure: 'Wait {minutes} min.', exit: 4, http: 429 },
  ACCESS_PASSPHRASE_REFUSED: { message: '{why}', cure: 'See docs/access.md.', exit: 2, http: 400 },
  ACCESS_FILE_DAMAGED: {
    message: '{path}: what it keeps of passphrases can not be read',
    cure: 'Make new ones with `evenburn serve --lan --new-passphrases`.',
    exit: 3,
    http: 500,
  },
  CERTIFICATE_REFUSED: {
    message: 'the certificate and its key are not taken: {why}',
    cure: 'Give PEM files that belong together with --cert FILE --key FILE (docs/access.md).',
    exit: 3,
    http: 500,
  },
  STREAMS_TOO_MANY: {
    message: 'this device, or all together, follow too many checks, pulls and replays at once',
    cure: 'Close pages of this program that nobody looks at.',
    exit: 4,
    http: 503,
  },
  CONNECTIONS_TOO_MANY: {
    message: 'this device, or all together, hold too many connections',
    cure: 'Close pages of this program that nobody looks at.',
    exit: 4,
    http: 503,
  },
  REQUEST_SLOW: { message: 'the request took too long to arrive', cure: 'Send it again from nearer to the network.', exit: 4, http: 408 },
  REQUESTS_TOO_MANY: { message: 'too many requests', cure: 'Wait a minute.', exit: 4, http: 429 },
  REQUEST_WRONG: { message: 'the request is wrong: {what}', cure: 'See /api/openapi.json.', exit: 2, http: 400 },
  ADDRESS_UNKNOWN: { message: 'nothing at {address}', cure: 'See /api/openapi.json for the addresses.', exit: 2, http: 404 },
  SERVER_FAULT: {
    message: 'the program made a mistake: {what}',
    cure: 'Run with EVENBURN_LOG=debug and report what it says.',
    exit: 4,
    http: 500,
  },
  BEGINNING_INTERRUPTS: {
    message: 'a new start of the server would interrupt what is under way: {what}',
    cure: 'Wait until it is over, or send the request with despiteUnderWay: true.',
    exit: 4,
    http: 409,
  },
  CHECK_RUNNING: {
    message: 'the {check} check is running already',
    cure: 'Finish it or drop it first; another browser may have begun it.',
    exit: 3,
    http: 409,
  },
  CHECK_NOT_RUNNING: { message: 'no check is running', cure: 'Begin one on the Checks page.', exit: 3, http: 404 },
  CHECK_UNKNOWN: {
    message: "no check '{check}'",
    cure: 'Name one of the Checks page, or of `checks:` in vehicle.yaml.',
    exit: 3,
    http: 404,
  },
  CHECK_STEP_UNKNOWN: { message: "the running check has no step '{step}'", cure: 'Load the page again.', exit: 3, http: 404 },
  CHECK_STEP_BLOCKED: {
    message: '{step} waits for: {blocker}',
    cure: 'Do that step first, or skip it with a reason.',
    exit: 3,
    http: 409,
  },
  CHECK_STEP_WAITS: {
    message: '{step}: what it waits for has not come',
    cure: 'Wait for it, or skip the step with a reason: the report keeps it.',
    exit: 3,
    http: 409,
  },
  CHECK_NOT_READY: {
    message: 'blocking items of the preparation list are open: {items}',
    cure: 'Close them, or waive them with a reason, on the Preparation page.',
    exit: 3,
    http: 409,
  },
  CHECK_CORRECTS_NOTHING: {
    message: 'run {run} has nothing to write to vehicle.yaml',
    cure: 'Only the probe check and the injector check correct the file.',
    exit: 3,
    http: 404,
  },
  CHECK_RUN_OUTDATED: {
    message: 'vehicle.yaml says something else by now than when run {run} was made',
    cure: 'Do the check again: then what it finds belongs to the file as it is.',
    exit: 3,
    http: 409,
  },
  CHECK_RUN_UNKNOWN: { message: 'no stored run {run} of a check', cure: 'List them on the Checks page.', exit: 3, http: 404 },
  DEVICE_UNKNOWN: { message: "no device '{device}'", cure: 'Its name is the one of `devices:` in vehicle.yaml.', exit: 3, http: 404 },
  HARNESS_RUN_UNKNOWN: { message: "no wiring '{run}' in harness.yaml", cure: 'Load the Harness page again.', exit: 3, http: 404 },
  LIVE_CHANNEL_UNKNOWN: { message: "no channel '{channel}'", cure: 'Check its name on the Channels page.', exit: 3, http: 404 },
  ALARM_NOT_STANDING: { message: "no alarm '{alarm}' stands", cure: 'It may have been acknowledged already.', exit: 3, http: 404 },
  INTERFACE_MISSING: { message: "there is no network interface '{interface}'", cure: 'Type: {command}', exit: 4, http: 500 },
  INTERFACE_NOT_CAN: {
    message: "'{interface}' is no CAN interface",
    cure: 'List those there are with: ip link show type can',
    exit: 4,
    http: 500,
  },
  INTERFACE_DOWN: { message: "CAN interface '{interface}' is down", cure: 'Type: {command}', exit: 4, http: 500 },
  INTERFACE_SETUP_REFUSED: {
    message: "'{interface}' can't be set up: {why}",
    cure: 'Run the same command with sudo.',
    exit: 4,
    http: 500,
  },
  ADDON_MISSING: {
    message: "the optional package '{addon}' is not installed, and {what} need it",
    cure: 'Install it with `npm install {addon} --include=optional` in the program folder (a C++ compiler, make and Python are needed).',
    exit: 4,
    http: 500,
  },
  SERIAL_PORT_MISSING: {
    message: "there is no serial port '{port}'",
    cure: 'Plug the adapter in; `evenburn doctor` lists ports.',
    exit: 4,
    http: 500,
  },
  SERIAL_PORT_REFUSED: { message: "serial port '{port}' can't be opened ({why})", cure: '{fix}.', exit: 4, http: 500 },
  SERIAL_ADAPTER_REFUSES: { message: "the adapter at '{port}' refuses: {what}", cure: 'To go on, {hint}.', exit: 4, http: 500 },
  ATTACHMENT_UNKNOWN: { message: "no photo or log '{name}'", cure: 'It may lie in another data folder.', exit: 3, http: 404 },
  ATTACHMENT_KIND_WRONG: {
    message: 'that is neither a JPEG or PNG picture nor a table in text (CSV)',
    cure: 'Take the photo as JPEG; save the log as CSV.',
    exit: 3,
    http: 415,
  },
  QUANTITY_UNKNOWN: {
    message: "'{quantity}' is nothing that pulls are compared in",
    cure: 'Use spread, rms, temp:N, deviation:N, duty:SET, delta:SET, lambda, timing, torque or power.',
    exit: 2,
    http: 400,
  },
  FIGURE_UNKNOWN: {
    message: "no figure is called '{figure}'",
    cure: 'Load the page again: what it shows may have been judged anew since.',
    exit: 3,
    http: 404,
  },
  PULL_UNKNOWN: { message: 'session {session} has no pull {number}', cure: 'Look at the numbers on the Pulls page.', exit: 3, http: 404 },
  READER_FAILED: {
    message: 'the reader of {source} failed: {why}',
    cure: 'It is started again by itself; run `evenburn doctor`.',
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
