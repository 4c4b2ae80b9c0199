// How a manual counts: ids, bytes, bits and byte order, as found out and as chosen.
import type { TableRequest, TableView } from '../../server/contract/table-import.ts';

/** What is chosen by hand; the rest is found out. */
export type Ways = Pick<TableRequest, 'idBase' | 'countFrom' | 'bitNumbering' | 'byteOrder'>;

const idWords = { hex: 'hexadecimal', dec: 'decimal' } as const;
const fromWords = { 0: 'from 0', 1: 'from 1' } as const;
const numberingWords = {
  lsb0: 'bit 0 is the lowest; big-endian starts at its highest',
  'lsb0-low': 'bit 0 is the lowest; every signal starts at its lowest',
  msb0: 'bit 0 is the highest, in the order of sending',
} as const;
const orderWords = { little: 'low byte first (little)', big: 'high byte first (big)' } as const;

interface CountingChoicesProps {
  view: TableView;
  ways: Ways;
  onWays(ways: Ways): void;
}

export function CountingChoices({ view, ways, onWays }: CountingChoicesProps) {
  const choose = (key: keyof Ways, text: string) => {
    const next: Record<string, unknown> = { ...ways };
    if (text === '') delete next[key];
    else next[key] = key === 'countFrom' ? Number(text) : text;
    onWays(next as Ways);
  };
  return (
    <section class="panel" aria-labelledby="counting-title">
      <h2 id="counting-title">How the manual counts</h2>
      <div class="counting">
        <Choice
          name="Ids without 0x"
          words={idWords}
          found={idWords[view.idBase]}
          chosen={ways.idBase}
          onChoose={(to) => choose('idBase', to)}
        />
        <Choice
          name="First byte and bit"
          words={fromWords}
          found={fromWords[view.countFrom]}
          chosen={ways.countFrom}
          onChoose={(to) => choose('countFrom', to)}
        />
        <Choice
          name="Numbers of bits"
          words={numberingWords}
          found={numberingWords[view.bitNumbering]}
          chosen={ways.bitNumbering}
          onChoose={(to) => choose('bitNumbering', to)}
        />
        <Choice
          name="Byte order where the table doesn't say it"
          words={orderWords}
          found={orderWords.little}
          chosen={ways.byteOrder}
          onChoose={(to) => choose('byteOrder', to)}
        />
      </div>
    </section>
  );
}

interface ChoiceProps {
  name: string;
  words: Record<string, string>;
  /** As it was found out. */
  found: string;
  chosen: string | number | undefined;
  onChoose(key: string): void;
}

function Choice({ name, words, found, chosen, onChoose }: ChoiceProps) {
  return (
    <label>
      {name}
      <select value={chosen === undefined ? '' : String(chosen)} onChange={(event) => onChoose(event.currentTarget.value)}>
        <option value="">{chosen === undefined ? `as found: ${found}` : 'as found out'}</option>
        {Object.entries(words).map(([key, says]) => (
          <option key={key} value={key}>
            {says}
          </option>
        ))}
      </select>
    </label>
  );
}
