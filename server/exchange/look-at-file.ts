// Looks at the beginning of a recorded file: what form it is, what belongs to which bus, and which columns a table has.
import { EvenburnError } from '../errors.ts';
import { unpackedBytes } from './byte-source.ts';
import { type CsvColumns, guessCsvColumns, splitHeader } from './csv-frames.ts';
import { Intake } from './intake.ts';
import { openRecordedFile, type RecordedFileOptions } from './recorded-file.ts';

export interface FileLook {
  /** Name of the form; '' when it is none that can be read. */
  format: string;
  /** Frames of the vehicle's buses in the part that was looked at. */
  frames: number;
  /** Interface names whose frames belong to no bus. */
  unmatched: string[];
  /** Why no frame was found; '' when there are some. */
  problem: string;
  /** Headers of a table's columns; empty for other forms. */
  headers: string[];
  /** Which header probably holds what, where names tell. */
  guess: CsvColumns;
}

/** Enough to see what a file is; its end may be cut off in the middle of a frame. */
const framesLookedAt = 20_000;

/** Errors: INPUT_FILE_MISSING, INPUT_FILE_UNREADABLE, USAGE_WRONG for a bus that is not there. A file that can't be read is no error here. */
export async function lookAtFile(path: string, options: RecordedFileOptions): Promise<FileLook> {
  const file = openRecordedFile(path, options);
  let problem = '';
  try {
    for await (const _ of file) if (file.counts.frames >= framesLookedAt) break;
  } catch (error) {
    if (!(error instanceof EvenburnError) || error.code !== 'INPUT_NOT_A_RECORDING') throw error;
    problem = String(error.details.why ?? error.message);
  }
  const { frames, malformedNamed, unmatched } = file.counts;
  const [first] = malformedNamed;
  if (problem === '' && frames === 0 && first) problem = `${first.unit} ${first.at}: ${first.why}`;
  const headers = await readHeaders(path);
  const isTable = headers.length > 0 && (frames === 0 || file.counts.format === 'CSV');
  return {
    format: problem === '' || isTable ? (isTable ? 'CSV' : file.counts.format) : '',
    frames,
    unmatched: [...unmatched.keys()],
    problem,
    headers: isTable ? headers : [],
    guess: isTable ? guessCsvColumns(headers) : {},
  };
}

/** Cells of the first line, when it looks like a table's header. */
async function readHeaders(path: string): Promise<string[]> {
  const intake = new Intake([]);
  for await (const bytes of unpackedBytes(path, intake, { bytesRead: 0, bytesTotal: undefined })) return splitHeader(bytes);
  return [];
}
