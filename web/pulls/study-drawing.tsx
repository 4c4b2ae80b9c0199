// The study on the engine as it stands: each cylinder's deviation from the others, where it differs, and its groups' effects.
import type { StudyView } from '../../server/contract/pulls.ts';
import { toNumberText } from '../shell/numbers.ts';
import { toKelvinText } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';
import type { FigureOf } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';

interface StudyDrawingProps {
  study: StudyView;
  /** Addresses of its figures. */
  figure: FigureOf;
}

export function StudyDrawing({ study, figure }: StudyDrawingProps) {
  const engine = useFeed().vehicle.value?.engine;
  const byNumber = new Map(study.cylinders.map((one) => [one.cylinder, one]));
  const known = engine?.banks.some(({ cylinders }) => cylinders.length > 0) ? engine.banks : undefined;
  const banks = known ?? [{ name: '', cylinders: study.cylinders.map(({ cylinder }) => cylinder) }];
  const groupsOf = (cylinder: number) => engine?.cylinders.find((one) => one.cylinder === cylinder)?.groups ?? {};
  return (
    <figure class="study-drawing">
      <figcaption>As the engine stands, front to the left: deviation from the others</figcaption>
      {banks.map(({ name, cylinders }) => (
        <div key={name} class="study-bank">
          {banks.length > 1 && <p class="strip-name">{name}</p>}
          <ol class="plain study-cylinders">
            {cylinders.map((number) => {
              const found = byNumber.get(number);
              const kelvin = found?.kelvin ?? null;
              const phases = Object.entries(study.phases).flatMap(([set, byCylinder]) => {
                const degrees = byCylinder[String(number)];
                return degrees === undefined ? [] : [{ set, degrees }];
              });
              return (
                <li
                  key={number}
                  class="study-cylinder"
                  data-differs={found?.differs ? (kelvin !== null && kelvin > 0 ? 'hot' : 'cold') : undefined}
                >
                  <span class="cylinder-number">{number}</span>
                  <b>
                    {kelvin === null ? (
                      'no reading'
                    ) : (
                      <WhyFigure of={figure('cylinder', number)}>{toKelvinText(kelvin, { signed: true })}</WhyFigure>
                    )}
                  </b>
                  <span class="small">{found?.differs ? (kelvin !== null && kelvin > 0 ? 'hot' : 'cold') : 'alike'}</span>
                  <span class="small quiet">
                    {Object.entries(groupsOf(number))
                      .map(([set, group]) => `${set} ${group}`)
                      .join(', ')}
                    {phases.map(({ set, degrees }) => (
                      <span key={set}>
                        , <WhyFigure of={figure('phase-now', set, number)}>{toNumberText(degrees, 0)}°</WhyFigure>
                      </span>
                    ))}
                  </span>
                </li>
              );
            })}
          </ol>
        </div>
      ))}
      {Object.keys(study.phases).length > 0 && (
        <p class="small quiet">Degrees from the opening of the intake stroke to the injection, by firing order and group angles.</p>
      )}
    </figure>
  );
}
