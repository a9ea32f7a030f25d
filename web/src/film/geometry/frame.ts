/**
 * The film frame of one side on its picture: where one millimetre medial and
 * one millimetre proximal lie, in pixels (docs/frames.md).
 *
 * Only differences are converted: the browser moves things, the server knows
 * where the origin is. On a lateral film the first direction is proximal along
 * the neck and the second anterior; where anterior lies is asked of the server.
 */

import type { MmPerPx, SideName } from "./types";

type XY = readonly [number, number];

export interface FilmFrame {
  /** (columns, rows) of 1 mm along the first axis: medial, or proximal on a lateral film. */
  readonly first: XY;
  /** (columns, rows) of 1 mm along the second axis: proximal, or anterior on a lateral film. */
  readonly second: XY;
  /** mm per row / mm per column. */
  readonly rowFactor: number;
}

/** +1 where larger columns are more medial for this hip, else −1. */
export const medialColumnSign = (side: SideName, columnsToLeft: boolean): 1 | -1 =>
  (side === "right") === columnsToLeft ? 1 : -1;

/** An AP film: x medial along its columns, z proximal against its rows. */
export function apFrame(side: SideName, columnsToLeft: boolean, scale: MmPerPx, rowFactor: number): FilmFrame {
  return {
    first: [medialColumnSign(side, columnsToLeft) / scale, 0],
    second: [0, -1 / (scale * rowFactor)],
    rowFactor,
  };
}

/**
 * A lateral film, from what the server drew: where 1 mm anterior lies, and
 * whether turning anteriorly is clockwise on the picture.
 */
export function lateralFrame(anterior: XY, clockwise: boolean, rowFactor: number): FilmFrame {
  const [x, y] = [anterior[0], anterior[1] * rowFactor];
  // From proximal toward anterior: clockwise on a picture whose rows run down means first = second turned back.
  const first: XY = clockwise ? [y, -x / rowFactor] : [-y, x / rowFactor];
  return { first, second: anterior, rowFactor };
}

/** A move in pixels as millimetres along both axes. */
export function moveInMm(frame: FilmFrame, columns: number, rows: number): readonly [number, number] {
  const [a, b] = frame.first;
  const [c, d] = frame.second;
  const across = a * d - b * c;
  return [(columns * d - rows * c) / across, (rows * a - columns * b) / across];
}

/** A move in millimetres as (columns, rows). */
export function moveInPx(frame: FilmFrame, first_mm: number, second_mm: number): readonly [number, number] {
  return [
    first_mm * frame.first[0] + second_mm * frame.second[0],
    first_mm * frame.first[1] + second_mm * frame.second[1],
  ];
}

/** +1 where turning from the first axis toward the second is clockwise on screen, else −1. */
export const clockwiseSign = (frame: FilmFrame): 1 | -1 =>
  frame.first[0] * frame.second[1] - frame.first[1] * frame.second[0] > 0 ? 1 : -1;

/** Degrees turned from `before` to `after` about a pivot, positive from the first axis toward the second, in (−180, 180]. */
export function turnDeg(frame: FilmFrame, pivot: XY, before: XY, after: XY): number {
  const angle = (point: XY): number => {
    const [x, z] = moveInMm(frame, point[0] - pivot[0], point[1] - pivot[1]);
    return Math.atan2(z, x);
  };
  const turned = ((angle(after) - angle(before)) * 180) / Math.PI;
  return 180 - ((((180 - turned) % 360) + 360) % 360);
}

/** The part of a move that lies along the line through two points; for handles that slide. */
export function along(move: XY, from: XY, to: XY): XY {
  const dx = to[0] - from[0];
  const dy = to[1] - from[1];
  const length2 = dx * dx + dy * dy;
  if (length2 === 0) return [0, 0];
  const share = (move[0] * dx + move[1] * dy) / length2;
  return [share * dx, share * dy];
}
