import { describe, expect, it } from "vitest";
import { greyTable } from "../../film/grey/voi";
import { gridOf } from "../geometry/grid";
import { AXIAL, type PlaneLook, SAGITTAL } from "../geometry/plane";
import { contours } from "./contour";
import { labelFields, paintSlice, stepsOf, TABLE_ZERO, valueAt } from "./reslice";

const grid = gridOf({ origin: [0, 0, 0], axes: [[1, 0, 0], [0, 1, 0], [0, 0, 1]], spacing: [1, 1, 2], slices: 12, rows: 20, columns: 30 });
/** HU = 3x − 2y + 5z: a field that trilinear interpolation keeps exactly. */
const field = Int16Array.from({ length: 12 * 20 * 30 }, (_, i) => 3 * (i % 30) - 2 * (Math.floor(i / 30) % 20) + 10 * Math.floor(i / 600));

describe("a slice through a volume", () => {
  const table = greyTable({ function: "LINEAR_EXACT", center: 0, width: 510 }, 1, -TABLE_ZERO, false);
  const looks: PlaneLook[] = [
    { facing: AXIAL, anchor: [14, 10, 7], pxPerMm: 1, width: 16, height: 12 },
    { facing: SAGITTAL, anchor: [14, 10, 7], pxPerMm: 2, width: 16, height: 12 },
    { facing: { right: [0.6, 0, 0.8], down: [0, 1, 0], normal: [-0.8, 0, 0.6] }, anchor: [14, 10, 9], pxPerMm: 1.5, width: 12, height: 10 },
  ];

  it("reads a linear field exactly between voxels, in any direction", () => {
    expect(valueAt(field, grid, [4.25, 7.5, 3.1])).toBeCloseTo(3 * 4.25 - 15 + 31, 4);
    for (const look of looks) {
      const into = new Uint32Array(look.width * look.height);
      const steps = stepsOf(grid, look, look.anchor, 1);
      paintSlice(field, grid, table, steps, into, look.width, look.height);
      for (const [x, y] of [[3, 4], [8, 2], [11, 9]] as const) {
        const index = [0, 1, 2].map((k) => (steps.first[k] ?? 0) + (steps.right[k] ?? 0) * x + (steps.down[k] ?? 0) * y);
        const hu = 3 * (index[0] ?? 0) - 2 * (index[1] ?? 0) + 10 * (index[2] ?? 0);
        expect(Math.abs(((into[y * look.width + x] ?? 0) & 255) - (hu / 2 + 127.5))).toBeLessThanOrEqual(1);
      }
    }
  });

  it("shows the surround where the volume ends", () => {
    const look: PlaneLook = { facing: AXIAL, anchor: [0, 0, 6], pxPerMm: 1, width: 10, height: 10 };
    const into = new Uint32Array(100);
    paintSlice(field, grid, table, stepsOf(grid, look, [0, 0, 6], 1), into, 10, 10);
    expect((into[0] ?? 0) & 255).toBeLessThan(16);
    expect((into[99] ?? 0) & 255).toBeGreaterThan(100);
  });
});

describe("outlines of labels", () => {
  it("follow a ball of voxels within half a voxel, closed, and dead bone is part of the femur", () => {
    const g = gridOf({ origin: [0, 0, 0], axes: [[1, 0, 0], [0, 1, 0], [0, 0, 1]], spacing: [1, 1, 1], slices: 40, rows: 40, columns: 40 });
    const labels = Uint8Array.from({ length: 64000 }, (_, i) => {
      const r = Math.hypot((i % 40) - 20, (Math.floor(i / 40) % 40) - 20, Math.floor(i / 1600) - 20);
      return r <= 5 ? 3 : r <= 7 ? 4 : r <= 14 ? 1 : 0;
    });
    const look: PlaneLook = { facing: AXIAL, anchor: [20, 20, 20], pxPerMm: 4, width: 156, height: 156 };
    const fields = labelFields(labels, g, stepsOf(g, look, [20, 20, 20], 2), 78, 78);
    for (const [name, radius] of [["femur", 14], ["lesion", 5], ["lesion_outer", 7]] as const) {
      const [line, ...more] = contours(fields.of[name], fields.width, fields.height);
      expect(more).toEqual([]);
      expect(line?.closed).toBe(true);
      for (const [x, y] of line?.points ?? []) {
        const r = Math.hypot((x - 0.5) * 2 - 78, (y - 0.5) * 2 - 78) / 4;
        expect(Math.abs(r - radius - 0.25)).toBeLessThan(0.85);
      }
    }
    expect(fields.of.pelvis.some((share) => share > 0)).toBe(false);
  });

  it("close at the edge of the picture, and two touching corners stay two rings", () => {
    const whole = new Float32Array(36).map((_, i) => (i % 6 > 0 && i % 6 < 5 && i > 5 && i < 30 ? 1 : 0));
    expect(contours(whole, 6, 6).map((line) => line.closed)).toEqual([true]);
    const corners = new Float32Array(36);
    corners[7] = corners[14] = 1;
    corners[8] = corners[13] = 0;
    expect(contours(corners, 6, 6, 0.6)).toHaveLength(2);
  });
});
