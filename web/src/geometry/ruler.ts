/** A straight ruler: where a value stands on the page, and where the graduations go. Years or millimetres alike. */

export interface Ruler {
  /** Page position of a value. */
  at(value: number): number;
  /** Value at a page position. */
  value(at: number): number;
  readonly from: number;
  readonly to: number;
}

/** A ruler that puts `from` at `start` and `to` at `end`. An empty range stands at `start`. */
export function ruler(from: number, to: number, start: number, end: number): Ruler {
  const span = to - from;
  const length = end - start;
  return {
    from,
    to,
    at: (value) => (span === 0 ? start : start + ((value - from) / span) * length),
    value: (at) => (length === 0 ? from : from + ((at - start) / length) * span),
  };
}

/** Graduations from `from` to `to`, both included when they fall on a step. */
export function graduations(from: number, to: number, step: number): number[] {
  if (!(step > 0) || to < from) return [];
  const first = Math.ceil(from / step - 1e-9);
  const last = Math.floor(to / step + 1e-9);
  return Array.from({ length: last - first + 1 }, (_, i) => (first + i) * step);
}

/** The step among 1, 2, 5 × 10ⁿ that leaves at least `room` pixels between graduations. */
export function niceStep(span: number, pixels: number, room: number): number {
  if (!(span > 0) || !(pixels > 0)) return 1;
  const least = (span * room) / pixels;
  const power = 10 ** Math.floor(Math.log10(least));
  for (const times of [1, 2, 5, 10]) if (times * power >= least - 1e-12) return times * power;
  return 10 * power;
}
