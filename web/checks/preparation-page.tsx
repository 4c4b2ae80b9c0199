// The preparation list: what a person does before the first fire, and what is still open; each item closed, or waived with a reason.
import { useSignal } from '@preact/signals';
import type { PreparationItem, PreparationView } from '../../server/contract/check-steps.ts';
import { type Unsigned, WriterField, writeDown } from '../log-book/write-down.tsx';
import { toAddress } from '../router.tsx';
import { CheckPage } from './check-page.tsx';
import { useFollowed } from './following.ts';
import { alwaysSafety } from './procedures.ts';
import { toSaid } from './verdict-words.ts';

const refreshMs = 2000;

export function PreparationPage() {
  const { value, problem, attempt } = useFollowed<PreparationView>('/api/preparation', refreshMs);
  const view = value.value;
  const write = (entry: Unsigned) => attempt(() => writeDown(entry));
  return (
    <CheckPage title="Preparation" problem={problem.value}>
      {view && (
        <>
          <p class="run-word" role="status" data-blocking={view.blocking}>
            {view.blocking === 0 ? 'Nothing keeps the engine from its first fire.' : `${view.blocking} to do before the first fire.`}
          </p>
          <div class="no-print">
            <WriterField />
          </div>
          <Items title="Open" items={view.items.filter(({ state }) => state === 'open')} write={write} />
          <NoteItem write={write} />
          <Items title="Closed and waived" items={view.items.filter(({ state }) => state !== 'open')} write={write} />
          <div class="big-acts no-print">
            <button type="button" class="button huge" onClick={() => void write({ kind: 'preparation-begun' })}>
              Go through the list anew
            </button>
            <button type="button" class="button huge" onClick={() => print()}>
              Print
            </button>
          </div>
          {view.begunWallMs !== null && <p class="small quiet">Begun anew {new Date(view.begunWallMs).toLocaleString()}.</p>}
        </>
      )}
      <p class="small quiet">{alwaysSafety}</p>
    </CheckPage>
  );
}

type Write = (entry: Unsigned) => Promise<void>;

function Items({ title, items, write }: { title: string; items: PreparationItem[]; write: Write }) {
  if (items.length === 0) return null;
  return (
    <section aria-label={title}>
      <h2>
        {title} ({items.length})
      </h2>
      <ul class="plain item-rows">
        {items.map((item) => (
          <ItemRow key={item.item} item={item} write={write} />
        ))}
      </ul>
    </section>
  );
}

const pages: Partial<Record<PreparationItem['kind'], [words: string, address: string]>> = {
  wire: ['Sign them', toAddress('harness')],
  probe: ['Probe check', toAddress('checks', 'probes')],
};

function ItemRow({ item, write }: { item: PreparationItem; write: Write }) {
  const waiving = useSignal(false);
  const { say, blocking, state, closesItself, reason, by, wallMs } = item;
  const title = toSaid({ say: item.title, sayParts: item.titleParts });
  const settle = (to: 'closed' | 'waived' | 'open', why = '') => {
    waiving.value = false;
    void write({ kind: 'item-settled', item: item.item, state: to, reason: why, covers: item.covers });
  };
  const page = pages[item.kind];
  return (
    <li class="panel item-row" data-item={item.item} data-state={state}>
      <div>
        <p class="verdict-say">
          {title} {!blocking && <span class="quiet">(does not block)</span>}
        </p>
        <p class="small">{say}</p>
        {state !== 'open' && (
          <p class="small">
            <b>{state === 'waived' ? `Waived: ${reason}` : 'Closed'}</b>, {by}
            {wallMs === null ? '' : `, ${new Date(wallMs).toLocaleString()}`}
          </p>
        )}
      </div>
      {waiving.value ? (
        <Waive
          title={title}
          onWaive={(why) => settle('waived', why)}
          onBack={() => {
            waiving.value = false;
          }}
        />
      ) : (
        <div class="big-acts no-print">
          {state === 'open' && !closesItself && (
            <button type="button" class="button main huge" aria-label={`Done: ${title}`} onClick={() => settle('closed')}>
              Done
            </button>
          )}
          {state === 'open' && page && (
            <a class="button huge" href={page[1]}>
              {page[0]}
            </a>
          )}
          {state === 'open' ? (
            <button
              type="button"
              class="button huge"
              aria-label={`Waive: ${title}`}
              onClick={() => {
                waiving.value = true;
              }}
            >
              Waive
            </button>
          ) : (
            <button type="button" class="button" aria-label={`Open again: ${title}`} onClick={() => settle('open')}>
              Open again
            </button>
          )}
        </div>
      )}
    </li>
  );
}

function Waive({ title, onWaive, onBack }: { title: string; onWaive(reason: string): void; onBack(): void }) {
  const reason = useSignal('');
  return (
    <form
      class="skip-form"
      onSubmit={(event) => {
        event.preventDefault();
        if (reason.value.trim() !== '') onWaive(reason.value.trim());
      }}
    >
      <label class="check-field">
        Why may the engine be fired without: {title}?
        <input
          type="text"
          maxLength={400}
          value={reason}
          onInput={(event) => {
            reason.value = event.currentTarget.value;
          }}
        />
      </label>
      <div class="big-acts">
        <button type="submit" class="button main huge" disabled={reason.value.trim() === ''}>
          Waive it
        </button>
        <button type="button" class="button huge" onClick={onBack}>
          Don't waive
        </button>
      </div>
    </form>
  );
}

function NoteItem({ write }: { write: Write }) {
  const title = useSignal('');
  const blocking = useSignal(true);
  const add = () => {
    const noted = title.value.trim();
    if (noted === '') return;
    title.value = '';
    void write({ kind: 'open-item', title: noted, blocking: blocking.value });
  };
  return (
    <form
      class="panel skip-form no-print"
      onSubmit={(event) => {
        event.preventDefault();
        add();
      }}
    >
      <label class="check-field">
        Something else is open
        <input
          type="text"
          maxLength={200}
          placeholder="Return line waits for a fitting"
          value={title}
          onInput={(event) => {
            title.value = event.currentTarget.value;
          }}
        />
      </label>
      <label class="tick">
        <input
          type="checkbox"
          checked={blocking}
          onChange={(event) => {
            blocking.value = event.currentTarget.checked;
          }}
        />{' '}
        No fire before it is closed
      </label>
      <div class="big-acts">
        <button type="submit" class="button huge" disabled={title.value.trim() === ''}>
          Note it
        </button>
      </div>
    </form>
  );
}
