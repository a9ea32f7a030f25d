/** A slice in any direction through a volume, on the processor: trilinear greys, and how much of each label lies at a point. */

import { SURROUND } from "../../film/grey/renderer";
import { directionToIndex, type Grid, toIndex } from "../geometry/grid";
import { type PlaneLook, toSpace } from "../geometry/plane";
import { scale, type Vec } from "../geometry/vec";

const SURROUND_PIXEL = (0xff000000 | (SURROUND[2] << 16) | (SURROUND[1] << 8) | SURROUND[0]) >>> 0;

/** Stored values run from −32,768; the table of greys from 0. */
export const TABLE_ZERO = 32768;

export interface Steps {
  /** Index point of the middle of pixel (0, 0), and steps a pixel right and down. */
  readonly first: Vec;
  readonly right: Vec;
  readonly down: Vec;
}

/** How index points run over a picture whose pixels are `pixel` CSS px wide. */
export function stepsOf(grid: Grid, look: PlaneLook, through: Vec, pixel: number): Steps {
  const by = pixel / look.pxPerMm;
  return {
    first: toIndex(grid, toSpace(look, through, [pixel / 2, pixel / 2])),
    right: directionToIndex(grid, scale(look.facing.right, by)),
    down: directionToIndex(grid, scale(look.facing.down, by)),
  };
}

/** Value between voxels at an index point; edges are held. */
export function valueAt(data: ArrayLike<number>, grid: Grid, [c, r, s]: Vec): number {
  const hold = (at: number, count: number): number => Math.min(count - 1, Math.max(0, at));
  const [x, y, z] = [hold(c, grid.columns), hold(r, grid.rows), hold(s, grid.slices)];
  const [i, j, k] = [Math.min(Math.floor(x), Math.max(0, grid.columns - 2)), Math.min(Math.floor(y), Math.max(0, grid.rows - 2)), Math.min(Math.floor(z), Math.max(0, grid.slices - 2))];
  const [dx, dy, dz] = [grid.columns > 1 ? 1 : 0, grid.rows > 1 ? grid.columns : 0, grid.slices > 1 ? grid.columns * grid.rows : 0];
  const at = (k * grid.rows + j) * grid.columns + i;
  const v = (offset: number): number => data[at + offset] as number;
  const mix = (a: number, b: number, t: number): number => a + (b - a) * t;
  const near = mix(mix(v(0), v(dx), x - i), mix(v(dy), v(dy + dx), x - i), y - j);
  const far = mix(mix(v(dz), v(dz + dx), x - i), mix(v(dz + dy), v(dz + dy + dx), x - i), y - j);
  return mix(near, far, z - k);
}

/** Paint a slice into RGBA pixels of `pixel` CSS px. `table` has 65,536 greys from −32,768. */
export function paintSlice(data: Int16Array, grid: Grid, table: Uint8ClampedArray, steps: Steps, into: Uint32Array, width: number, height: number): void {
  const { columns, rows, slices } = grid;
  const [mostC, mostR, mostS] = [columns - 1, rows - 1, slices - 1];
  const [lastC, lastR, lastS] = [Math.max(0, columns - 2), Math.max(0, rows - 2), Math.max(0, slices - 2)];
  const [dx, dy, dz] = [columns > 1 ? 1 : 0, rows > 1 ? columns : 0, slices > 1 ? columns * rows : 0];
  const [rc, rr, rs] = steps.right;
  for (let y = 0, out = 0; y < height; y++) {
    let c = steps.first[0] + steps.down[0] * y;
    let r = steps.first[1] + steps.down[1] * y;
    let s = steps.first[2] + steps.down[2] * y;
    for (let x = 0; x < width; x++, out++, c += rc, r += rr, s += rs) {
      if (c < -0.5 || r < -0.5 || s < -0.5 || c > mostC + 0.5 || r > mostR + 0.5 || s > mostS + 0.5) {
        into[out] = SURROUND_PIXEL;
        continue;
      }
      const cx = c < 0 ? 0 : c > mostC ? mostC : c;
      const cy = r < 0 ? 0 : r > mostR ? mostR : r;
      const cz = s < 0 ? 0 : s > mostS ? mostS : s;
      let i = cx | 0;
      let j = cy | 0;
      let k = cz | 0;
      if (i > lastC) i = lastC;
      if (j > lastR) j = lastR;
      if (k > lastS) k = lastS;
      const [tx, ty, tz] = [cx - i, cy - j, cz - k];
      const at = (k * rows + j) * columns + i;
      const a = data[at] as number;
      const b = data[at + dx] as number;
      const d = data[at + dy] as number;
      const e = data[at + dy + dx] as number;
      const f = data[at + dz] as number;
      const g = data[at + dz + dx] as number;
      const h = data[at + dz + dy] as number;
      const l = data[at + dz + dy + dx] as number;
      const near = a + (b - a) * tx + (d + (e - d) * tx - (a + (b - a) * tx)) * ty;
      const far = f + (g - f) * tx + (h + (l - h) * tx - (f + (g - f) * tx)) * ty;
      const grey = table[(near + (far - near) * tz + TABLE_ZERO + 0.5) | 0] as number;
      into[out] = (0xff000000 | (grey << 16) | (grey << 8) | grey) >>> 0;
    }
  }
}

/** What is outlined: labels that belong to it. Dead bone is part of the femur. */
export const OUTLINED = {
  femur: [1, 3, 4],
  pelvis: [2],
  lesion: [3],
  lesion_outer: [3, 4],
} as const;

export type Outlined = keyof typeof OUTLINED;

export interface Fields {
  readonly width: number;
  readonly height: number;
  /** Share of each label at each sample, 0 to 1; a rim of zeros around, so that every outline closes. */
  readonly of: Readonly<Record<Outlined, Float32Array>>;
}

/** The labels on a slice, sampled every `pixel` CSS px. Sample (x, y) lies at pixel ((x − ½)·pixel, (y − ½)·pixel). */
export function labelFields(labels: Uint8Array, grid: Grid, steps: Steps, across: number, tall: number): Fields {
  const [width, height] = [across + 2, tall + 2];
  const of = { femur: new Float32Array(width * height), pelvis: new Float32Array(width * height), lesion: new Float32Array(width * height), lesion_outer: new Float32Array(width * height) };
  const { columns, rows, slices } = grid;
  const [dy, dz] = [columns, columns * rows];
  const share = new Float32Array(8);
  for (let y = 0; y < tall; y++) {
    for (let x = 0; x < across; x++) {
      const c = steps.first[0] + steps.right[0] * x + steps.down[0] * y;
      const r = steps.first[1] + steps.right[1] * x + steps.down[1] * y;
      const s = steps.first[2] + steps.right[2] * x + steps.down[2] * y;
      if (c < 0 || r < 0 || s < 0 || c > columns - 1 || r > rows - 1 || s > slices - 1) continue;
      const i = Math.min(c | 0, Math.max(0, columns - 2));
      const j = Math.min(r | 0, Math.max(0, rows - 2));
      const k = Math.min(s | 0, Math.max(0, slices - 2));
      const at = (k * rows + j) * columns + i;
      const first = labels[at] as number;
      const out = (y + 1) * width + x + 1;
      if (first === labels[at + 1] && first === labels[at + dy] && first === labels[at + dy + 1] && first === labels[at + dz] && first === labels[at + dz + 1] && first === labels[at + dz + dy] && first === labels[at + dz + dy + 1]) {
        if (first === 0) continue;
        share.fill(0);
        share[first] = 1;
      } else {
        const [tx, ty, tz] = [c - i, r - j, s - k];
        share.fill(0);
        for (let corner = 0; corner < 8; corner++) {
          const [x1, y1, z1] = [corner & 1, (corner >> 1) & 1, corner >> 2];
          const label = labels[at + x1 + y1 * dy + z1 * dz] as number;
          share[label & 7] = (share[label & 7] as number) + (x1 ? tx : 1 - tx) * (y1 ? ty : 1 - ty) * (z1 ? tz : 1 - tz);
        }
      }
      const [femur, pelvis, dead, rim] = [share[1] as number, share[2] as number, share[3] as number, share[4] as number];
      of.femur[out] = femur + dead + rim;
      of.pelvis[out] = pelvis;
      of.lesion[out] = dead;
      of.lesion_outer[out] = dead + rim;
    }
  }
  return { width, height, of };
}
