// What the main process asks of the worker that changes definition files.
import type { DefinitionsView, DraftRequest, DraftView, SaveRequest } from '../contract/definitions.ts';
import type {
  DeviceRequest,
  HarnessTableRequest,
  HarnessTableView,
  SavedDefinition,
  TableRequest,
  TableView,
} from '../contract/table-import.ts';
import type { Acceptance } from '../finder/accept-finding.ts';
import type { PlainError } from '../recording/recorder-messages.ts';
import type { FoundSignal } from './vehicle-folder.ts';

export type EditorQuestion = { ask: number } & (
  | { kind: 'table'; table: TableRequest }
  | { kind: 'harness-table'; table: HarnessTableRequest }
  | { kind: 'device'; device: DeviceRequest }
  | { kind: 'signal'; found: FoundSignal; acceptance: Acceptance }
  | { kind: 'read' }
  | { kind: 'draft'; draft: DraftRequest }
  | { kind: 'save'; save: SaveRequest }
);

export interface EditorAnswer {
  ask: number;
  result?: TableView | HarnessTableView | SavedDefinition | DefinitionsView | DraftView;
  error?: PlainError;
}
