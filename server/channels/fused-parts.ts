// Parts of formulas that are so common (channel with channel, channel with number) that each has one closure instead of three.
import type { Evaluate, Evaluation } from './evaluation.ts';
import type { ArithmeticOperator, ComparisonOperator } from './formula-tree.ts';

/** `a - b`, `a > b` of two channels by their slots; undefined for operators that have no closure here. */
export function fuseChannels(
  operator: ArithmeticOperator | ComparisonOperator,
  evaluation: Evaluation,
  a: number,
  b: number,
): Evaluate | undefined {
  const { value, quality } = evaluation.table;
  const look = (): void => {
    evaluation.note(quality[a] as number);
    evaluation.note(quality[b] as number);
  };
  switch (operator) {
    case '+':
      return () => {
        if (((quality[a] as number) | (quality[b] as number)) !== 0) look();
        return evaluation.finite((value[a] as number) + (value[b] as number));
      };
    case '-':
      return () => {
        if (((quality[a] as number) | (quality[b] as number)) !== 0) look();
        return evaluation.finite((value[a] as number) - (value[b] as number));
      };
    case '*':
      return () => {
        if (((quality[a] as number) | (quality[b] as number)) !== 0) look();
        return evaluation.finite((value[a] as number) * (value[b] as number));
      };
    case '/':
      return () => {
        if (((quality[a] as number) | (quality[b] as number)) !== 0) look();
        return evaluation.finite((value[a] as number) / (value[b] as number));
      };
    case '<':
      return () => {
        if (((quality[a] as number) | (quality[b] as number)) !== 0) look();
        return (value[a] as number) < (value[b] as number) ? 1 : 0;
      };
    case '>':
      return () => {
        if (((quality[a] as number) | (quality[b] as number)) !== 0) look();
        return (value[a] as number) > (value[b] as number) ? 1 : 0;
      };
    default:
      return undefined;
  }
}

/** `a * 0.1`, `a < 100` of a channel by its slot; undefined for operators that have no closure here. */
export function fuseNumber(
  operator: ArithmeticOperator | ComparisonOperator,
  evaluation: Evaluation,
  a: number,
  k: number,
): Evaluate | undefined {
  const { value, quality } = evaluation.table;
  switch (operator) {
    case '+':
      return () => {
        if (quality[a] !== 0) evaluation.note(quality[a] as number);
        return evaluation.finite((value[a] as number) + k);
      };
    case '-':
      return () => {
        if (quality[a] !== 0) evaluation.note(quality[a] as number);
        return evaluation.finite((value[a] as number) - k);
      };
    case '*':
      return () => {
        if (quality[a] !== 0) evaluation.note(quality[a] as number);
        return evaluation.finite((value[a] as number) * k);
      };
    case '<':
      return () => {
        if (quality[a] !== 0) evaluation.note(quality[a] as number);
        return (value[a] as number) < k ? 1 : 0;
      };
    case '>':
      return () => {
        if (quality[a] !== 0) evaluation.note(quality[a] as number);
        return (value[a] as number) > k ? 1 : 0;
      };
    default:
      return undefined;
  }
}
