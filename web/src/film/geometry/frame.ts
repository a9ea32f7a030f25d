/**
 * Film frame of one side: x medial, z proximal, mm at the hip (docs/frames.md).
 *
 * Only differences are converted: the browser moves things, the server knows
 * where the origin is.
 */

import type { MmPerPx, SideName } from "./types";

export interface FilmFrame {
  readonly side: SideName;
  /** Columns grow toward the patient's left: the usual film. */
  readonly columnsToLeft: boolean;
  readonly scale: MmPerPx;
  readonly rowFactor: number;
}

/** +1 where larger columns are more medial for this hip, else −1. */
export const medialColumnSign = (frame: FilmFrame): 1 | -1 =>
  (frame.side === "right") === frame.columnsToLeft ? 1 : -1;

/** A move in pixels as (x medial, z proximal), mm. */
export function moveInMm(frame: FilmFrame, columns: number, rows: number): readonly [number, number] {
  return [columns * medialColumnSign(frame) * frame.scale, -rows * frame.scale * frame.rowFactor];
}

/** A move in mm as (columns, rows). */
export function moveInPx(frame: FilmFrame, xMm: number, zMm: number): readonly [number, number] {
  return [(xMm * medialColumnSign(frame)) / frame.scale, -zMm / (frame.scale * frame.rowFactor)];
}

/** Degrees turned from `before` to `after` about a pivot, positive from medial toward proximal, in (−180, 180]. */
export function turnDeg(
  frame: FilmFrame,
  pivot: readonly [number, number],
  before: readonly [number, number],
  after: readonly [number, number],
): number {
  const angle = (point: readonly [number, number]): number => {
    const [x, z] = moveInMm(frame, point[0] - pivot[0], point[1] - pivot[1]);
    return Math.atan2(z, x);
  };
  const turned = ((angle(after) - angle(before)) * 180) / Math.PI;
  return ((((turned + 180) % 360) + 360) % 360) - 180 || 0;
}

/** The part of a move that lies along the line through two points; for handles that slide. */
export function along(
  move: readonly [number, number],
  from: readonly [number, number],
  to: readonly [number, number],
): readonly [number, number] {
  const dx = to[0] - from[0];
  const dy = to[1] - from[1];
  const length2 = dx * dx + dy * dy;
  if (length2 === 0) return [0, 0];
  const share = (move[0] * dx + move[1] * dy) / length2;
  return [share * dx, share * dy];
}
