// Errors across threads: ours arrive with their code, cure and details.
import { EvenburnError } from '../errors.ts';
import type { PlainError } from './recorder-messages.ts';

export function toPlain(error: unknown): PlainError {
  if (error instanceof EvenburnError) return { code: error.code, details: { ...error.details }, message: error.message };
  return { message: error instanceof Error ? (error.stack ?? error.message) : String(error) };
}

export function toError(plain: PlainError): Error {
  return plain.code ? new EvenburnError(plain.code, plain.details) : new Error(plain.message);
}
