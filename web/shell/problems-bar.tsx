// Errors in the definition files, on every page: the last good set stays in force until they are mended.
import { useFeed } from '../stream/feed.ts';

export function ProblemsBar() {
  const problems = useFeed().vehicle.value?.problems ?? [];
  const errors = problems.filter((problem) => problem.severity === 'error');
  const [first] = errors;
  if (!first) return null;
  return (
    <details class="problems-bar">
      <summary>
        <strong>
          {errors.length === 1 ? 'One error' : `${errors.length} errors`} in the definition files; the last good set stays in force.
        </strong>{' '}
        <code>
          {first.file}:{first.line}:{first.column}
        </code>{' '}
        {first.say}
      </summary>
      <ul class="plain">
        {errors.map((problem) => (
          <li key={`${problem.file}:${problem.line}:${problem.column}:${problem.code}`}>
            <code>
              {problem.file}:{problem.line}:{problem.column}
            </code>{' '}
            {problem.say} <span class="quiet">{problem.fix}</span>
          </li>
        ))}
      </ul>
    </details>
  );
}
