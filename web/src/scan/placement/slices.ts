/** What a placement looks like on a slice: outlines in LPS of its component, head and cup, its cut and its seat. Geometry only. */

import type { SpaceView } from "../../api/schema";
import type { Facing } from "../geometry/plane";
import { type Cut, type MeshData, sectionInPlace } from "../geometry/section";
import { add, along, cross, dot, length, scale, sub, unit, type Vec } from "../geometry/vec";
import { meets } from "../model/place";

export interface Ring {
  readonly points: readonly Vec[];
  readonly closed: boolean;
}

/** Points of a circle drawn whole. */
const CIRCLE_STEPS = 96;

/** Where a sphere is cut by a slice, as far as `keep` says; null when it is missed. */
export function sphereOn(centre: Vec, radius_mm: number, slice: Cut, keep: (point: Vec) => boolean = () => true): Ring[] {
  const off = dot(sub(slice.point, centre), slice.normal);
  const square = radius_mm * radius_mm - off * off;
  if (square <= 0) return [];
  const middle = along(centre, slice.normal, off);
  const a = unit(Math.abs(slice.normal[0]) < 0.8 ? cross(slice.normal, [1, 0, 0]) : cross(slice.normal, [0, 1, 0]));
  const b = cross(slice.normal, a);
  const radius = Math.sqrt(square);
  const all = Array.from({ length: CIRCLE_STEPS }, (_, i): Vec => {
    const t = (2 * Math.PI * i) / CIRCLE_STEPS;
    return add(middle, add(scale(a, radius * Math.cos(t)), scale(b, radius * Math.sin(t))));
  });
  const kept = all.map(keep);
  if (kept.every(Boolean)) return [{ points: all, closed: true }];
  // One arc at most: a plane through the sphere leaves a circle in two.
  const start = kept.findIndex((here, i) => here && !kept[(i - 1 + CIRCLE_STEPS) % CIRCLE_STEPS]);
  if (start < 0) return [];
  const points: Vec[] = [];
  for (let i = 0; i < CIRCLE_STEPS && kept[(start + i) % CIRCLE_STEPS]; i++) points.push(all[(start + i) % CIRCLE_STEPS] as Vec);
  return points.length > 1 ? [{ points, closed: false }] : [];
}

/** The cup's shell: the half of its sphere that its opening looks away from. */
export const cupOn = (view: SpaceView, slice: Cut): Ring[] => {
  const { cup_centre: centre, cup_axis: axis, cup_radius_mm: radius } = view;
  return centre && axis && radius ? sphereOn(centre, radius, slice, (point) => dot(sub(point, centre), axis) <= 0) : [];
};

export const headOn = (view: SpaceView, slice: Cut): Ring[] => (view.head_centre && view.head_radius_mm ? sphereOn(view.head_centre, view.head_radius_mm, slice) : []);

/** The cut across the slice, so far to both sides of the part's axis. */
export function cutOn(view: SpaceView, slice: Cut, half_mm: number): readonly [Vec, Vec] | null {
  const line = meets({ point: view.cut_point, normal: view.cut_normal }, slice);
  // Where the part is far from the slice its cut is not drawn.
  if (!line || length(sub(line.point, view.cut_point)) > half_mm) return null;
  return [along(line.point, line.direction, -half_mm), along(line.point, line.direction, half_mm)];
}

export interface SeatOn {
  readonly sound: readonly Vec[];
  readonly unsound: readonly Vec[];
}

/** Seat points within so much of the slice. */
export function seatOn(view: SpaceView, slice: Cut, within_mm: number): SeatOn {
  const [sound, unsound]: [Vec[], Vec[]] = [[], []];
  for (const [x, y, z, state] of view.seat) {
    if (Math.abs(dot(sub([x, y, z], slice.point), slice.normal)) > within_mm) continue;
    (Math.round(state) === 1 ? sound : unsound).push([x, y, z]);
  }
  return { sound, unsound };
}

export const componentOn = (mesh: MeshData, view: SpaceView, slice: Cut): Ring[] => sectionInPlace(mesh, view.component_to_lps, slice);

/** Signed turn from `from` to `to` around `centre` as seen on a plane, right-handed about its normal, degrees. */
export function turnOn(facing: Facing, centre: Vec, from: Vec, to: Vec): number {
  const flat = (v: Vec): Vec => sub(v, scale(facing.normal, dot(v, facing.normal)));
  const [a, b] = [flat(sub(from, centre)), flat(sub(to, centre))];
  return (Math.atan2(dot(cross(a, b), facing.normal), dot(a, b)) * 180) / Math.PI;
}

/** A move held to one direction. */
export const heldTo = (move: Vec, direction: Vec): Vec => scale(direction, dot(move, direction));
