// What the main process asks of the worker that changes definition files.
import type { DeviceRequest, SavedDefinition, TableRequest, TableView } from '../contract/table-import.ts';
import type { Acceptance } from '../finder/accept-finding.ts';
import type { PlainError } from '../recording/recorder-messages.ts';
import type { FoundSignal } from './vehicle-folder.ts';

export type EditorQuestion = { ask: number } & (
  | { kind: 'table'; table: TableRequest }
  | { kind: 'device'; device: DeviceRequest }
  | { kind: 'signal'; found: FoundSignal; acceptance: Acceptance }
);

export interface EditorAnswer {
  ask: number;
  result?: TableView | SavedDefinition;
  error?: PlainError;
}
