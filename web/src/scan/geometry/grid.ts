/** The working volume: where a voxel lies, which voxel a point falls in. Arrays [slice, row, column]; index points (column, row, slice). */

import type { GridOut } from "../../api/schema";
import type { Vec } from "./vec";

export interface Grid {
  readonly origin: Vec;
  /** Directions in which column, row and slice number grow. */
  readonly directions: readonly [Vec, Vec, Vec];
  readonly spacing: Vec;
  readonly columns: number;
  readonly rows: number;
  readonly slices: number;
}

export function gridOf(out: GridOut): Grid {
  const a = out.axes;
  const column = (i: 0 | 1 | 2): Vec => [a[0]?.[i] ?? 0, a[1]?.[i] ?? 0, a[2]?.[i] ?? 0];
  return { origin: out.origin, directions: [column(0), column(1), column(2)], spacing: out.spacing, columns: out.columns, rows: out.rows, slices: out.slices };
}

export function toLps(grid: Grid, index: Vec): Vec {
  const [d, s] = [grid.directions, grid.spacing];
  const part = (i: 0 | 1 | 2): number => grid.origin[i] + d[0][i] * s[0] * index[0] + d[1][i] * s[1] * index[1] + d[2][i] * s[2] * index[2];
  return [part(0), part(1), part(2)];
}

/** Index point of an LPS point; not rounded, may lie outside. */
export function toIndex(grid: Grid, lps: Vec): Vec {
  return directionToIndex(grid, [lps[0] - grid.origin[0], lps[1] - grid.origin[1], lps[2] - grid.origin[2]]);
}

/** A direction of LPS in index steps a mm. */
export function directionToIndex(grid: Grid, v: Vec): Vec {
  const part = (i: 0 | 1 | 2): number => (grid.directions[i][0] * v[0] + grid.directions[i][1] * v[1] + grid.directions[i][2] * v[2]) / grid.spacing[i];
  return [part(0), part(1), part(2)];
}

export const middleOf = (grid: Grid): Vec => toLps(grid, [(grid.columns - 1) / 2, (grid.rows - 1) / 2, (grid.slices - 1) / 2]);

/** How far one step from slice to slice goes along a direction: the spacing of the axis nearest to it. */
export function stepAlong(grid: Grid, direction: Vec): number {
  let [best, step] = [0, 1];
  grid.directions.forEach((axis, i) => {
    const along = Math.abs(axis[0] * direction[0] + axis[1] * direction[1] + axis[2] * direction[2]);
    if (along > best) [best, step] = [along, grid.spacing[i] ?? 1];
  });
  return step;
}

/** A point held inside the volume. */
export function held(grid: Grid, lps: Vec): Vec {
  const [c, r, s] = toIndex(grid, lps);
  const within = (at: number, count: number): number => Math.min(count - 1, Math.max(0, at));
  return toLps(grid, [within(c, grid.columns), within(r, grid.rows), within(s, grid.slices)]);
}
