/**
 * A component in space as it is moved: old place in, new place out; and where its mesh lies until the server has said so.
 *
 * Frame and angles are those of `SpacePoseIn` (docs/frames.md): hip frame x medial, y anterior, z proximal; the axis points
 * to (cos f cos a, sin f, cos f sin a); roll is right-handed about it. Geometry only.
 */

import type { PlacementIn, SpacePoseIn, SpaceView } from "../../api/schema";
import { add, along, cross, dot, scale, sub, turnedAbout, type Vec } from "../geometry/vec";

/** Columns of a turn: the part's own x, y, z in the hip frame. */
type Turn = readonly [Vec, Vec, Vec];

const RAD = Math.PI / 180;

export function turnOf(pose: SpacePoseIn): Turn {
  const [a, f, r] = [pose.frontal_deg * RAD, pose.forward_deg * RAD, (pose.roll_deg ?? 0) * RAD];
  const axis: Vec = [Math.cos(f) * Math.cos(a), Math.sin(f), Math.cos(f) * Math.sin(a)];
  const [across, front] = unrolled(axis, a);
  const x = add(scale(across, Math.cos(r)), scale(front, Math.sin(r)));
  return [x, cross(axis, x), axis];
}

const unrolled = (axis: Vec, a: number): readonly [Vec, Vec] => {
  const across: Vec = [Math.sin(a), 0, -Math.cos(a)];
  return [across, cross(axis, across)];
};

/** Angles of a turn; their inverse is `turnOf`. */
export function anglesOf([x, , axis]: Turn): Pick<SpacePoseIn, "frontal_deg" | "forward_deg" | "roll_deg"> {
  const a = Math.atan2(axis[2], axis[0]);
  const [across, front] = unrolled(axis, a);
  return { frontal_deg: a / RAD, forward_deg: Math.asin(Math.max(-1, Math.min(1, axis[1]))) / RAD, roll_deg: Math.atan2(dot(x, front), dot(x, across)) / RAD };
}

type Axes = readonly Vec[];

const inHip = (axes: Axes, v: Vec): Vec => [dot(axes[0] as Vec, v), dot(axes[1] as Vec, v), dot(axes[2] as Vec, v)];
const inLps = (axes: Axes, v: Vec): Vec => add(add(scale(axes[0] as Vec, v[0]), scale(axes[1] as Vec, v[1])), scale(axes[2] as Vec, v[2]));

const withSpace = (placement: PlacementIn, change: Partial<SpacePoseIn>): PlacementIn => {
  if (!placement.space) return placement;
  const space = { ...placement.space, ...change };
  // The shadow in the frontal plane goes with it: film pictures and the record's pose agree.
  return { ...placement, space, pose: { ...placement.pose, x_mm: space.x_mm, z_mm: space.z_mm, ap_angle_deg: space.frontal_deg } };
};

/** Moved by a vector of LPS, mm. A cup has its place in the frontal plane only. */
export function moved(placement: PlacementIn, part: "component" | "cup", axes: Axes, by: Vec): PlacementIn {
  const [x, y, z] = inHip(axes, by);
  if (part === "cup") return placement.cup ? { ...placement, cup: { ...placement.cup, x_mm: placement.cup.x_mm + x, z_mm: placement.cup.z_mm + z } } : placement;
  const { space } = placement;
  return space ? withSpace(placement, { x_mm: space.x_mm + x, y_mm: space.y_mm + y, z_mm: space.z_mm + z }) : placement;
}

/** Turned about an axis of LPS through its own origin. */
export function turned(placement: PlacementIn, axes: Axes, about: Vec, deg: number): PlacementIn {
  const { space } = placement;
  if (!space) return placement;
  const [x, y, z] = turnOf(space);
  const turn = (v: Vec): Vec => inHip(axes, turnedAbout(inLps(axes, v), about, deg));
  return withSpace(placement, anglesOf([turn(x), turn(y), turn(z)]));
}

/** Rolled about its own axis, right-handed in the hip frame. */
export const rolled = (placement: PlacementIn, deg: number): PlacementIn => (placement.space ? withSpace(placement, { roll_deg: wrapped((placement.space.roll_deg ?? 0) + deg) }) : placement);

const wrapped = (deg: number): number => ((((deg + 180) % 360) + 360) % 360) - 180;

/** A place given to a step of `deg`: what a hand cannot tell apart is not kept. */
export function rounded(placement: PlacementIn, mm: number, deg: number): PlacementIn {
  const { space } = placement;
  if (!space) return placement;
  const to = (value: number, step: number): number => Number((Math.round(value / step) * step).toFixed(6));
  return withSpace(placement, { x_mm: to(space.x_mm, mm), y_mm: to(space.y_mm, mm), z_mm: to(space.z_mm, mm), frontal_deg: to(space.frontal_deg, deg), forward_deg: to(space.forward_deg, deg), roll_deg: to(space.roll_deg ?? 0, deg) });
}

/** The view of a place before its numbers arrive: what the server drew, carried from the place it was drawn for to the hand's. */
export function carried(view: SpaceView, drawnFor: PlacementIn, now: PlacementIn): SpaceView {
  const [from, to] = [drawnFor.space, now.space];
  if (!from || !to) return view;
  const axes = view.hip_axes;
  const [a, b] = [turnOf(from), turnOf(to)];
  const origin = originOf(view);
  const by = inLps(axes, sub([to.x_mm, to.y_mm, to.z_mm], [from.x_mm, from.y_mm, from.z_mm]));
  /** A direction of LPS, turned with the part. */
  const turn = (v: Vec): Vec => {
    const hip = inHip(axes, v);
    const own: Vec = [dot(a[0], hip), dot(a[1], hip), dot(a[2], hip)];
    return inLps(axes, add(add(scale(b[0], own[0]), scale(b[1], own[1])), scale(b[2], own[2])));
  };
  const point = (p: Vec): Vec => add(add(origin, by), turn(sub(p, origin)));
  const m = view.component_to_lps;
  const column = (k: number): Vec => turn([m[k] ?? 0, m[4 + k] ?? 0, m[8 + k] ?? 0]);
  const [x, y, z, o] = [column(0), column(1), column(2), add(origin, by)];
  const p = (v: Vec): [number, number, number] => [v[0], v[1], v[2]];
  const cup = drawnFor.cup && now.cup ? inLps(axes, [now.cup.x_mm - drawnFor.cup.x_mm, 0, now.cup.z_mm - drawnFor.cup.z_mm]) : ([0, 0, 0] as Vec);
  return {
    ...view,
    component_to_lps: [x[0], y[0], z[0], o[0], x[1], y[1], z[1], o[1], x[2], y[2], z[2], o[2], 0, 0, 0, 1],
    cut_point: p(point(view.cut_point)),
    cut_normal: p(turn(view.cut_normal)),
    wire: view.wire.map((at) => p(point(at))),
    head_centre: view.head_centre && p(point(view.head_centre)),
    cup_centre: view.cup_centre && p(add(view.cup_centre, cup)),
    least_wall_at: view.least_wall_at && p(point(view.least_wall_at)),
    seat: view.seat.map(([sx, sy, sz, state, wall]): [number, number, number, number, number] => [...p(point([sx, sy, sz])), state, wall]),
  };
}

export const originOf = (view: SpaceView): Vec => [view.component_to_lps[3] ?? 0, view.component_to_lps[7] ?? 0, view.component_to_lps[11] ?? 0];

/** The part's own axis in LPS, toward the head. */
export const axisOf = (view: SpaceView): Vec => [view.component_to_lps[2] ?? 0, view.component_to_lps[6] ?? 0, view.component_to_lps[10] ?? 0];

/** Where a plane (the cut) meets a slice: a point and the direction of their line; null when they are parallel. */
export function meets(a: { point: Vec; normal: Vec }, b: { point: Vec; normal: Vec }): { point: Vec; direction: Vec } | null {
  const direction = cross(a.normal, b.normal);
  const square = dot(direction, direction);
  if (square < 1e-8) return null;
  const [da, db] = [dot(a.point, a.normal), dot(b.point, b.normal)];
  const point = scale(add(scale(cross(b.normal, direction), da), scale(cross(direction, a.normal), db)), 1 / square);
  const unit = scale(direction, 1 / Math.sqrt(square));
  return { point: along(point, unit, dot(sub(a.point, point), unit)), direction: unit };
}
