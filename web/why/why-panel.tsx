// 'Why this number?': of a channel the chain down to the wire, as of the instant that was asked; of a derived figure what it was computed from.
import './why.css';
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { WhyNode, WhySignal, WhyView } from '../../server/contract/why.ts';
import { BitGrid } from '../frames/bit-grid.tsx';
import { nameHere, ownNameLengthMax, ownNames } from '../shell/channel-names.ts';
import { digitsOf, toNumberText, toUnitWord } from '../shell/numbers.ts';
import { isDifference, shownUnit, toQuantityText } from '../shell/units.ts';
import { Problem } from '../shell/work.tsx';
import { toProblem } from '../stream/api.ts';
import { asked, type Explanation, goBack, type Question } from './asked.ts';
import { FigureExplained } from './figure-explained.tsx';

export function WhyPanel() {
  const dialog = useRef<HTMLDialogElement>(null);
  const heading = useRef<HTMLHeadingElement>(null);
  const answer = useSignal<Explanation | undefined>(undefined);
  const problem = useSignal('');
  const question = asked.value.at(-1);
  const shown = useRef<Question | undefined>(undefined);
  const ask = () => {
    if (question === undefined) return;
    question.ask().then(
      (told) => {
        if (asked.value.at(-1) !== question) return;
        answer.value = told;
        problem.value = '';
      },
      (error: unknown) => {
        problem.value = toProblem(error);
      },
    );
  };
  // Asked once for each number; asking again is a button.
  useEffect(() => {
    answer.value = undefined;
    problem.value = '';
    if (question === undefined) {
      dialog.current?.close();
      return;
    }
    shown.current = question;
    if (!dialog.current?.open) dialog.current?.showModal();
    // What was pressed is gone: whoever goes by keyboard begins at the top of the new answer.
    else heading.current?.focus();
    ask();
  }, [question]);
  // A link out of the panel leads to another page.
  useEffect(() => {
    const close = () => {
      asked.value = [];
    };
    window.addEventListener('hashchange', close);
    return () => window.removeEventListener('hashchange', close);
  }, []);
  const told = answer.value;
  return (
    <dialog
      ref={dialog}
      class="panel why"
      aria-labelledby="why-title"
      // Told a moment after it closed: what was asked meanwhile is kept.
      onClose={() => {
        if (asked.value.at(-1) === shown.current) asked.value = [];
      }}
      // A press on the shade around it closes it, where the browser knows how.
      {...{ closedby: 'any' }}
    >
      <div class="why-head">
        <div>
          <p class="quiet">Why this number?</p>
          <h2 id="why-title" ref={heading} tabIndex={-1}>
            {told?.kind === 'figure' ? told.view.title : question?.title}
          </h2>
        </div>
        {asked.value.length > 1 && (
          <button type="button" class="button" onClick={goBack}>
            Back
          </button>
        )}
        <button type="button" class="button" onClick={ask}>
          Ask again
        </button>
        <form method="dialog">
          <button type="submit" class="button">
            Close
          </button>
        </form>
      </div>
      <Problem text={problem.value} />
      {told?.kind === 'figure' && <FigureExplained figure={told.view} />}
      {told?.kind === 'chain' && <Chain view={told.view} />}
    </dialog>
  );
}

function Chain({ view }: { view: WhyView }) {
  const top = view.nodes[0];
  if (!top) return null;
  return (
    <>
      <p class="small quiet">
        All values as of one instant, {toTimeText(view)}, in the units of the files.
        <ShownHere node={top} />
      </p>
      <Link node={top} view={view} path={[]} />
      <NameHere channel={top.channel} />
    </>
  );
}

/** What the page writes where this browser shows another unit. */
function ShownHere({ node }: { node: WhyNode }) {
  const difference = isDifference(node);
  const { unit } = shownUnit(node.unit, difference);
  if (unit === node.unit || node.value === null) return null;
  return <> Shown on this browser as {toQuantityText(node.value, node.unit, { difference })}.</>;
}

/** A name that is easier to say, on this browser alone. */
function NameHere({ channel }: { channel: string }) {
  return (
    <label class="name-here">
      Name on this browser
      <input
        type="text"
        maxLength={ownNameLengthMax}
        placeholder={channel.replaceAll('_', ' ')}
        value={ownNames.value.get(channel) ?? ''}
        onChange={(event) => nameHere(channel, event.currentTarget.value)}
      />
    </label>
  );
}

function toTimeText({ timeUs, wallMs }: WhyView): string {
  return `${new Date(wallMs).toLocaleTimeString()} (${(timeUs / 1e6).toFixed(2)} s of the session)`;
}

interface LinkProps {
  node: WhyNode;
  view: WhyView;
  /** Names above it in the chain. */
  path: string[];
}

const kindWords = {
  signal: 'read from the bus',
  'built-in': 'computed by the program',
  derived: 'computed by a formula of the vehicle file',
} as const;
const openInputsMax = 2;

/** One link of the chain, with what it hangs on below it. */
function Link({ node, view, path }: LinkProps) {
  const inputs = node.inputs.flatMap((name) => view.nodes.find((other) => other.channel === name) ?? []);
  const below = [...path, node.channel];
  return (
    <div class="why-link" data-channel={node.channel}>
      <p class="why-value">
        <ValueText node={node} />
        <span class="quiet">{kindWords[node.kind]}</span>
      </p>
      {node.because && <p class="why-because">{node.because}</p>}
      {node.formula && (
        <p>
          <span class="quiet">Formula</span> <code class="why-formula">{node.formula}</code>
        </p>
      )}
      {node.signal && <SignalChain signal={node.signal} node={node} view={view} />}
      {node.wires?.map((wire) => (
        <p key={`${wire.connector} ${wire.pin}`} class="why-wire">
          <span class="quiet">Pin</span> {wire.connector}, pin {wire.pin}
          {wire.wire && `, ${wire.wire}`}
          {wire.to && `, to ${wire.to}`}
        </p>
      ))}
      {node.notKnown && <p class="small quiet">{node.notKnown}</p>}
      {inputs.length > 0 && (
        <ul class="plain why-inputs" aria-label={`Inputs of ${node.channel}`}>
          {inputs.map((input, i) => (
            <li key={input.channel}>
              <details open={path.length < 2 && (i === 0 || inputs.length <= openInputsMax)}>
                <summary>
                  <span class="why-name">{input.channel}</span> <ValueText node={input} />
                </summary>
                {below.includes(input.channel) ? null : <Link node={input} view={view} path={below} />}
              </details>
            </li>
          ))}
        </ul>
      )}
    </div>
  );
}

/** With more digits than on a page: this is where somebody looks closely. */
function ValueText({ node }: { node: WhyNode }) {
  const number = node.value === null ? '' : `${toNumberText(node.value, digitsOf(node.unit) + 2)} ${toUnitWord(node.unit)}`;
  return (
    <span class="why-number" data-quality={node.quality}>
      {number} {node.quality !== 'ok' && <b>{node.quality === 'out-of-range' ? 'out of range' : node.quality}</b>}
    </span>
  );
}

function SignalChain({ signal, node, view }: { signal: WhySignal; node: WhyNode; view: WhyView }) {
  const lit = new Set(signal.bits);
  const age = signal.frameTimeUs === null ? undefined : (view.timeUs - signal.frameTimeUs) / 1e3;
  const where = `most significant bit ${signal.bits[0]}, least ${signal.bits.at(-1)}`;
  return (
    <div class="why-signal">
      <p class="why-arithmetic">
        {signal.arithmetic || 'No raw value: the frame was never seen, or the signal is not in it now.'}
        {signal.stateName && <b> {signal.stateName}</b>}
      </p>
      {signal.raw !== null && (
        <p class="small">
          <span class="quiet">Raw</span> {signal.raw} <code>{signal.rawHex}</code>
          {node.quality === 'fault' || node.quality === 'missing' ? <span class="quiet"> stands for no value</span> : null}
        </p>
      )}
      <BitGrid
        bytes={signal.bytes}
        lengthBytes={signal.lengthBytes}
        lit={lit}
        label={`Bytes ${signal.bytes || 'never seen'}; the signal is read from ${where}`}
      />
      <p class="small quiet">
        {signal.bitLength} bits, {signal.byteOrder === 'big' ? 'high byte first' : 'low byte first'}, {signal.sign}; {where}
        {signal.when && `; when ${signal.when}`}
      </p>
      <dl class="why-facts">
        <Fact name="Frame">
          {signal.frame} <code>{signal.id ?? 'never seen'}</code>
          {signal.periodUs !== undefined && `, every ${signal.periodUs / 1e3} ms`}
          {age !== undefined && `, ${age.toFixed(0)} ms old`}
        </Fact>
        <Fact name="Device">
          {signal.device}, {signal.deviceTitle}, on bus {signal.bus}
        </Fact>
        <Fact name="Defined in">
          <code>{signal.definedAt}</code>
        </Fact>
      </dl>
    </div>
  );
}

function Fact({ name, children }: { name: string; children: preact.ComponentChildren }) {
  return (
    <div>
      <dt class="quiet">{name}</dt>
      <dd>{children}</dd>
    </div>
  );
}
