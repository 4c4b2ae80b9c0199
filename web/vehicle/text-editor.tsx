// A file's text with its line numbers; what is wrong is underlined at its place, and told below with line, column and cure.
import { useEffect, useRef } from 'preact/hooks';
import type { Draft, Problem } from './draft.ts';

/** Where the text is to be shown: set by whoever sends the user to a line. */
export interface TextPlace {
  line: number;
  column: number;
  endColumn: number;
}

/** A selection that ends before this column is shown with the beginning of its line. */
const columnsInSight = 40;

export function TextEditor({ draft, place, readOnly }: { draft: Draft; place: TextPlace | undefined; readOnly: boolean }) {
  const area = useRef<HTMLTextAreaElement>(null);
  const path = draft.path.value;
  const text = draft.texts.value.get(path) ?? '';
  const lines = text.split('\n');
  const problems = draft.problems.value.filter(({ file }) => file === path);
  useEffect(() => {
    if (place) goTo(area.current, lines, place);
  }, [place]);
  const columns = Math.max(40, ...lines.map((line) => line.length)) + 2;
  return (
    <section class="text-editor" aria-label={`Text of ${path}`}>
      <div class="text-scroll">
        <ol class="plain line-numbers" aria-hidden="true">
          {lines.map((_, i) => (
            <li key={i} data-severity={worst(problems, i + 1)}>
              {i + 1}
            </li>
          ))}
        </ol>
        <div class="text-sheet">
          <pre class="text-marks" aria-hidden="true">
            {lines.map((line, i) => (
              <MarkedLine key={i} line={line} problems={problems.filter((problem) => problem.line === i + 1)} />
            ))}
          </pre>
          <textarea
            ref={area}
            aria-label={`${path}, YAML`}
            spellcheck={false}
            autocapitalize="none"
            autocomplete="off"
            wrap="off"
            rows={lines.length + 1}
            cols={columns}
            value={text}
            readOnly={readOnly}
            onInput={(event) => draft.type(event.currentTarget.value)}
          />
        </div>
      </div>
    </section>
  );
}

function worst(problems: readonly Problem[], line: number): string | undefined {
  const here = problems.filter((problem) => problem.line === line);
  return here.find(({ severity }) => severity === 'error')?.severity ?? here[0]?.severity;
}

function MarkedLine({ line, problems }: { line: string; problems: readonly Problem[] }) {
  const [first] = problems;
  if (!first) return <span>{`${line}\n`}</span>;
  const from = Math.min(first.column - 1, line.length);
  const to = Math.max(from, Math.min(first.endColumn - 1, line.length));
  // A fault at the end of a line has no letter of its own.
  const marked = to > from ? line.slice(from, to) : ' ';
  return (
    <span>
      {line.slice(0, from)}
      <mark data-severity={first.severity}>{marked}</mark>
      {`${line.slice(to)}\n`}
    </span>
  );
}

function goTo(area: HTMLTextAreaElement | null, lines: readonly string[], { line, column, endColumn }: TextPlace): void {
  if (!area) return;
  const start = lines.slice(0, line - 1).reduce((sum, one) => sum + one.length + 1, 0);
  area.focus({ preventScroll: true });
  area.setSelectionRange(start + column - 1, start + endColumn - 1);
  const scroll = area.closest('.text-scroll');
  const lineHeight = area.scrollHeight / (lines.length + 1);
  if (scroll) {
    scroll.scrollIntoView({ block: 'nearest' });
    scroll.scrollTop = Math.max(0, (line - 4) * lineHeight);
    // Browsers bring the selection to the very edge, under the line numbers.
    scroll.scrollLeft = Math.max(0, (endColumn - columnsInSight) * (area.scrollWidth / area.cols));
  }
}

/** All that is wrong, in all files: line, column, the line with carets below what is meant, and the cure. */
export function ProblemList({ draft, goTo: go }: { draft: Draft; goTo(problem: Problem): void }) {
  const problems = draft.problems.value;
  if (problems.length === 0) return <p class="quiet">No error and no warning.</p>;
  return (
    <ul class="plain draft-problems">
      {problems.map((problem) => (
        <li key={`${problem.file}:${problem.line}:${problem.column}:${problem.code}:${problem.say}`} data-severity={problem.severity}>
          <button type="button" class="problem-place" onClick={() => go(problem)}>
            <b>{problem.severity === 'error' ? 'Error' : 'Warning'}</b>{' '}
            <code>
              {problem.file}:{problem.line}:{problem.column}
            </code>
          </button>
          <p>
            {problem.say}. {problem.fix} <span class="quiet small">{problem.code}</span>
          </p>
          <Carets problem={problem} text={draft.texts.value.get(problem.file) ?? ''} />
        </li>
      ))}
    </ul>
  );
}

function Carets({ problem, text }: { problem: Problem; text: string }) {
  const line = (text.split('\n')[problem.line - 1] ?? '').replaceAll('\t', ' ').trimEnd();
  if (line === '') return null;
  const length = Math.max(1, problem.endColumn - problem.column);
  return (
    <pre class="carets" aria-hidden="true">
      {`${line}\n${' '.repeat(problem.column - 1)}${'^'.repeat(length)}`}
    </pre>
  );
}
