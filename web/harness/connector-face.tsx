// The face of a connector, drawn plainly: its pins in rows as their names say, seen from where it mates.
import type { HarnessConnector } from '../../server/contract/harness.ts';
import { toAddress } from '../router.tsx';

const step = 48;
const margin = 30;
const rowMax = 8;

export interface FaceProps {
  connector: HarnessConnector;
  half: HarnessConnector['halves'][number];
  /** The other half of a joint sees the same pins from the other side. */
  mirrored: boolean;
  pin: string | undefined;
}

export function ConnectorFace({ connector, half, mirrored, pin }: FaceProps) {
  const rows = toRows(connector.pins.map((one) => one.pin));
  const columns = Math.max(1, ...rows.map((row) => row.length));
  const [width, height] = [(columns - 1) * step + 2 * margin, (rows.length - 1) * step + 2 * margin];
  const about = [half.side && `${half.side} side`, half.gender, half.at].filter(Boolean).join(', ');
  return (
    <figure class="face">
      <svg viewBox={`0 0 ${width} ${height}`} width={width} height={height}>
        <title>{`Face of ${connector.title}, ${half.name}`}</title>
        <rect x="2" y="2" width={width - 4} height={height - 4} rx="16" class="shell" />
        {/* A notch on top tells which way up. */}
        <path d={`M${width / 2 - 8} 2v6h16V2`} class="shell" />
        {rows.flatMap((row, r) =>
          row.map((name, c) => {
            const x = margin + (mirrored ? columns - 1 - c : c) * step;
            const y = margin + r * step;
            const used = connector.pins.find((one) => one.pin === name)?.wires.length !== 0;
            return (
              <a
                key={name}
                href={toAddress('harness', 'connector', connector.name, name)}
                aria-label={`Pin ${name}${used ? '' : ', free'}`}
              >
                <circle
                  cx={x}
                  cy={y}
                  r="18"
                  class="pin"
                  data-used={used ? '' : undefined}
                  data-chosen={name === pin ? '' : undefined}
                  data-gender={half.gender}
                />
                <text x={x} y={y + 5} class="pin-name" data-chosen={name === pin ? '' : undefined}>
                  {name}
                </text>
              </a>
            );
          }),
        )}
      </svg>
      <figcaption>
        <b>{half.name}</b>
        {about && ` ${about}`}
        <span class="small quiet"> mating face</span>
      </figcaption>
    </figure>
  );
}

/** Pins that begin with the same letters stand in one row; plain numbers fill rows of eight. */
function toRows(pins: readonly string[]): string[][] {
  const byLetters = new Map<string, string[]>();
  for (const pin of pins) {
    const letters = /^[A-Za-z]+(?=\d)/.exec(pin)?.[0] ?? '';
    byLetters.set(letters, [...(byLetters.get(letters) ?? []), pin]);
  }
  return [...byLetters.values()].flatMap((row) => {
    const rows: string[][] = [];
    for (let i = 0; i < row.length; i += rowMax) rows.push(row.slice(i, i + rowMax));
    return rows;
  });
}
