// Least squares against NIST's certified linear regression sets (Statistical Reference Datasets, public domain), and Student's t against tables.
import studentT from '@stdlib/stats-base-dists-t';
import { describe, expect, it } from 'vitest';
import { fitLeastSquares } from '../../server/dyno/least-squares.ts';

/** NIST Norris (lower difficulty): [y, x]. */
const norris = [
  [0.1, 0.2],
  [338.8, 337.4],
  [118.1, 118.2],
  [888.0, 884.6],
  [9.2, 10.1],
  [228.1, 226.5],
  [668.5, 666.3],
  [998.5, 996.3],
  [449.1, 448.6],
  [778.9, 777.0],
  [559.2, 558.2],
  [0.3, 0.4],
  [0.1, 0.6],
  [778.1, 775.5],
  [668.8, 666.9],
  [339.3, 338.0],
  [448.9, 447.5],
  [10.8, 11.6],
  [557.7, 556.0],
  [228.3, 228.1],
  [998.0, 995.8],
  [888.8, 887.6],
  [119.6, 120.2],
  [0.3, 0.3],
  [0.6, 0.3],
  [557.6, 556.8],
  [339.3, 339.1],
  [888.0, 887.2],
  [998.5, 999.0],
  [778.9, 779.0],
  [10.2, 11.1],
  [117.6, 118.3],
  [228.9, 229.2],
  [668.4, 669.1],
  [449.2, 448.9],
  [0.2, 0.5],
] as const;

/** NIST Longley (higher difficulty): y, then six columns. */
const longley = [
  [60323, 83.0, 234289, 2356, 1590, 107608, 1947],
  [61122, 88.5, 259426, 2325, 1456, 108632, 1948],
  [60171, 88.2, 258054, 3682, 1616, 109773, 1949],
  [61187, 89.5, 284599, 3351, 1650, 110929, 1950],
  [63221, 96.2, 328975, 2099, 3099, 112075, 1951],
  [63639, 98.1, 346999, 1932, 3594, 113270, 1952],
  [64989, 99.0, 365385, 1870, 3547, 115094, 1953],
  [63761, 100.0, 363112, 3578, 3350, 116219, 1954],
  [66019, 101.2, 397469, 2904, 3048, 117388, 1955],
  [67857, 104.6, 419180, 2822, 2857, 118734, 1956],
  [68169, 108.4, 442769, 2936, 2798, 120445, 1957],
  [66513, 110.8, 444546, 4681, 2637, 121950, 1958],
  [68655, 112.6, 482704, 3813, 2552, 123366, 1959],
  [69564, 114.2, 502601, 3931, 2514, 125368, 1960],
  [69331, 115.7, 518173, 4806, 2572, 127852, 1961],
  [70551, 116.9, 554894, 4007, 2827, 130081, 1962],
] as const;

const certified = [
  {
    name: 'Norris',
    rows: norris.map(([, x]) => [1, x]),
    y: norris.map(([y]) => y),
    coefficients: [-0.262323073774029, 1.00211681802045],
    errors: [0.232818234301152, 0.429796848199937e-3],
    residual: 0.884796396144373,
    explained: 0.999993745883712,
    digits: 11,
  },
  {
    name: 'Longley',
    rows: longley.map(([, ...x]) => [1, ...x]),
    y: longley.map(([y]) => y),
    coefficients: [
      -3482258.63459582, 15.0618722713733, -0.035819179292591, -2.02022980381683, -1.03322686717359, -0.0511041056535807, 1829.15146461355,
    ],
    errors: [
      890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675, 0.22607320006937, 455.478499142212,
    ],
    residual: 304.854073561965,
    explained: 0.995479004577296,
    digits: 8,
  },
];

const closeTo = (found: number, value: number, digits: number) => expect(Math.abs(found / value - 1)).toBeLessThan(10 ** -digits);

describe('least squares', () => {
  it.each(certified)(
    'agrees with the certified values of $name to $digits digits',
    ({ rows, y, coefficients, errors, residual, explained, digits }) => {
      const fitted = fitLeastSquares(rows, y);
      if (!fitted) throw new Error('not fitted');
      for (const [j, value] of coefficients.entries()) closeTo(fitted.coefficients[j] as number, value, digits);
      for (const [j, value] of errors.entries()) closeTo(fitted.errors[j] as number, value, digits);
      closeTo(fitted.residual, residual, digits);
      closeTo(fitted.explained, explained, digits);
      expect(fitted.freedom).toBe(rows.length - coefficients.length);
    },
  );

  it('finds the six ones of Wampler1, a polynomial of degree five without noise', () => {
    const xs = Array.from({ length: 21 }, (_, x) => x);
    const rows = xs.map((x) => [1, x, x ** 2, x ** 3, x ** 4, x ** 5]);
    const fitted = fitLeastSquares(
      rows,
      rows.map((row) => row.reduce((sum, value) => sum + value, 0)),
    );
    for (const coefficient of fitted?.coefficients ?? []) expect(Math.abs(coefficient - 1)).toBeLessThan(1e-9);
    expect(fitted?.coefficients).toHaveLength(6);
  });

  it('refuses columns that can not be told apart, and fewer rows than columns', () => {
    expect(
      fitLeastSquares(
        [
          [1, 2],
          [1, 2],
          [1, 2],
        ],
        [1, 2, 3],
      ),
    ).toBeUndefined();
    expect(fitLeastSquares([[1, 2]], [1])).toBeUndefined();
    expect(fitLeastSquares([[0], [0]], [1, 2])).toBeUndefined();
  });
});

// Percentage points as printed in every textbook's table of Student's t.
describe('Student’s t', () => {
  it.each([
    [0.95, 1, 6.314],
    [0.95, 2, 2.92],
    [0.95, 5, 2.015],
    [0.95, 10, 1.812],
    [0.95, 30, 1.697],
    [0.975, 1, 12.706],
    [0.975, 2, 4.303],
    [0.975, 3, 3.182],
    [0.975, 4, 2.776],
    [0.975, 6, 2.447],
    [0.975, 10, 2.228],
    [0.975, 20, 2.086],
    [0.975, 60, 2.0],
    [0.975, 120, 1.98],
  ])('is at %f with %i degrees of freedom %f', (p, freedom, value) => {
    expect(Math.abs(studentT.quantile(p, freedom) - value)).toBeLessThanOrEqual(5.1e-4);
  });
});
