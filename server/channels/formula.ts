// Formulas: infix arithmetic over channel names, checked with places, compiled to closures over channel slots.
import type { FormulaProblem, FormulaScope } from './formula-problem.ts';

/**
 * Everything that is wrong with a formula's text, with offsets. Never throws, whatever the text.
 *
 * @param declaredUnit Unit that the result is declared to have; undefined checks nothing (conditions of alarms).
 */
export function checkFormula(_text: string, _scope: FormulaScope, _declaredUnit?: string): FormulaProblem[] {
  throw new Error('not built yet');
}

/** Names of the channels that a formula uses, each once, in the order of the text; empty for a text that can't be parsed. */
export function formulaChannels(_text: string): string[] {
  throw new Error('not built yet');
}
