/** Planes through a scan: which way they are looked at, letters at their edges, screen and space. */

import type { Side } from "../../api/schema";
import { add, along, cross, dot, scale, sub, unit, type Vec } from "./vec";

export type PlaneName = "axial" | "frontal" | "sagittal" | "neck";

/** How a plane lies on the screen: `right` and `down` as seen; the reader looks along `normal` = right × down. */
export interface Facing {
  readonly right: Vec;
  readonly down: Vec;
  readonly normal: Vec;
}

const facing = (right: Vec, down: Vec): Facing => ({ right, down, normal: cross(right, down) });

/** As radiologists look: from the feet, from the front, from the patient's left. LPS. */
export const AXIAL = facing([1, 0, 0], [0, 1, 0]);
export const FRONTAL = facing([1, 0, 0], [0, 0, -1]);
export const SAGITTAL = facing([0, 1, 0], [0, 0, -1]);

/** Which way medial lies for a hip, roughly: the patient's left of a right hip. */
export const medialOf = (side: Side): Vec => (side === "right" ? [1, 0, 0] : [-1, 0, 0]);

/** The plane along the neck axis: neck upright, lateral at the left and medial at the right of the picture, as in every drawing. */
export function neckFacing(points: readonly [Vec, Vec, Vec], side: Side): Facing {
  const down = unit(sub(points[1], points[0]));
  const beside = sub(points[2], points[0]);
  const across = unit(sub(beside, scale(down, dot(beside, down))));
  return facing(dot(across, medialOf(side)) < 0 ? scale(across, -1) : across, down);
}

const LETTERS = [
  ["R", "L"],
  ["A", "P"],
  ["F", "H"],
] as const;

/** Below this share of the direction a second letter is not written (22.5° from the axis). */
const SECOND = Math.sin(Math.PI / 8);

/** "L", or "LH" for an oblique direction: the patient's letters (DICOM PS3.3 C.7.6.1.1.1), the largest part first. */
export function letterOf(direction: Vec): string {
  return direction
    .map((part, i) => ({ size: Math.abs(part), letter: LETTERS[i]?.[part > 0 ? 1 : 0] ?? "" }))
    .sort((a, b) => b.size - a.size)
    .filter(({ size }, i) => i === 0 || (i === 1 && size > SECOND))
    .map(({ letter }) => letter)
    .join("");
}

/** One pane's look at its plane. `anchor` is the point in the middle of the pane, whatever slice is shown. */
export interface PlaneLook {
  readonly facing: Facing;
  readonly anchor: Vec;
  readonly pxPerMm: number;
  readonly width: number;
  readonly height: number;
}

/** The point in the middle of the pane, on the slice through `through`. */
export const middleAt = (look: PlaneLook, through: Vec): Vec => along(look.anchor, look.facing.normal, dot(sub(through, look.anchor), look.facing.normal));

/** Screen (CSS px) to space, on the slice through `through`. */
export function toSpace(look: PlaneLook, through: Vec, at: readonly [number, number]): Vec {
  const { right, down } = look.facing;
  const [x, y] = [(at[0] - look.width / 2) / look.pxPerMm, (at[1] - look.height / 2) / look.pxPerMm];
  return along(along(middleAt(look, through), right, x), down, y);
}

/** Space to screen; the distance from the slice is dropped. */
export function toPane(look: PlaneLook, point: Vec): readonly [number, number] {
  const from = sub(point, look.anchor);
  return [look.width / 2 + dot(from, look.facing.right) * look.pxPerMm, look.height / 2 + dot(from, look.facing.down) * look.pxPerMm];
}

/** Distance of a point from the slice through `through`, mm; positive beyond it. */
export const beyond = (facing: Facing, through: Vec, point: Vec): number => dot(sub(point, through), facing.normal);

/** Zoomed by `factor` so that what is under `at` stays there. */
export function zoomed(look: PlaneLook, factor: number, at: readonly [number, number]): PlaneLook {
  const pxPerMm = Math.min(40, Math.max(0.4, look.pxPerMm * factor));
  const shift = 1 / look.pxPerMm - 1 / pxPerMm;
  const { right, down } = look.facing;
  return { ...look, pxPerMm, anchor: add(look.anchor, add(scale(right, (at[0] - look.width / 2) * shift), scale(down, (at[1] - look.height / 2) * shift))) };
}

/** Slid by so many pixels: the picture follows the hand. */
export function slid(look: PlaneLook, dx: number, dy: number): PlaneLook {
  const { right, down } = look.facing;
  return { ...look, anchor: sub(look.anchor, add(scale(right, dx / look.pxPerMm), scale(down, dy / look.pxPerMm))) };
}

/** Where a sphere is cut by the slice: its circle on the screen; null when it is missed. */
export function circleOf(look: PlaneLook, through: Vec, centre: Vec, radius_mm: number): { at: readonly [number, number]; r: number } | null {
  const off = beyond(look.facing, through, centre);
  const square = radius_mm * radius_mm - off * off;
  return square <= 0 ? null : { at: toPane(look, centre), r: Math.sqrt(square) * look.pxPerMm };
}
