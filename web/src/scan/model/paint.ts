/** A correction shown at once in this browser's own copy of the labels, until the server's outlines arrive. */

import type { EditIn } from "../../api/schema";
import { type Grid, toIndex, toLps } from "../geometry/grid";
import { distance, dot, sub, type Vec } from "../geometry/vec";

const LABEL = { femur: 1, pelvis: 2, lesion: 3 } as const;

/** Labels after a stroke; the given ones stay as they are. Cut and fill are left to the server. */
export function painted(labels: Uint8Array, grid: Grid, edit: EditIn): Uint8Array {
  const radius = edit.radius_mm ?? 0;
  if ((edit.tool !== "brush" && edit.tool !== "eraser") || radius <= 0) return labels;
  const out = labels.slice();
  const mine = LABEL[edit.label];
  const points = filled(edit.points, radius / 2);
  const half = Math.min(...grid.spacing) * 0.75;
  for (const point of points) {
    const at = toIndex(grid, point);
    const reach = grid.spacing.map((step) => radius / step) as [number, number, number];
    const from = at.map((c, i) => Math.max(0, Math.ceil(c - (reach[i] ?? 0))));
    const to = at.map((c, i) => Math.min(([grid.columns, grid.rows, grid.slices][i] ?? 1) - 1, Math.floor(c + (reach[i] ?? 0))));
    for (let k = from[2] ?? 0; k <= (to[2] ?? -1); k++)
      for (let j = from[1] ?? 0; j <= (to[1] ?? -1); j++)
        for (let i = from[0] ?? 0; i <= (to[0] ?? -1); i++) {
          const voxel = toLps(grid, [i, j, k]);
          if (distance(voxel, point) > radius) continue;
          if (edit.normal && Math.abs(dot(sub(voxel, point), edit.normal)) > half) continue;
          const index = (k * grid.rows + j) * grid.columns + i;
          const now = out[index] as number;
          if (edit.tool === "brush") out[index] = mine;
          else if (now === mine || (mine === 3 && now === 4)) out[index] = mine === 3 ? 1 : 0;
          else if (mine === 1 && now > 2) out[index] = 0;
        }
  }
  return out;
}

/** Points between the stroke's own, so that balls overlap. */
function filled(points: readonly Vec[], step: number): Vec[] {
  return points.flatMap((point, i) => {
    const before = points[i - 1];
    if (!before) return [point];
    const count = Math.max(1, Math.ceil(distance(before, point) / step));
    return Array.from({ length: count }, (_, n): Vec => {
      const t = (n + 1) / count;
      return [before[0] + (point[0] - before[0]) * t, before[1] + (point[1] - before[1]) * t, before[2] + (point[2] - before[2]) * t];
    });
  });
}
