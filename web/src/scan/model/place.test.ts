import { describe, expect, it } from "vitest";
import type { PlacementIn, SpaceView } from "../../api/schema";
import { cross, distance, dot, sub, type Vec } from "../geometry/vec";
import { anglesOf, carried, meets, moved, rolled, rounded, turned, turnOf } from "./place";

/** A right hip: medial is the patient's left, so the frame is mirrored against LPS. */
const AXES: [number, number, number][] = [[1, 0, 0], [0, -1, 0], [0, 0, 1]];
const space = { x_mm: 3, y_mm: -2, z_mm: 5, frontal_deg: 132, forward_deg: 11, roll_deg: 25 };
const placement: PlacementIn = { level: "mid_head", family: "cone", size: "3", head_mm: 47, neck_length: null, pose: { x_mm: 3, z_mm: 5, ap_angle_deg: 132, y_mm: 0, lateral_angle_deg: 0 }, cup: { family: "cup", size: "54", x_mm: 1, z_mm: 2, inclination_deg: 40, version_deg: 15 }, space };
const [x, y, z] = turnOf(space);
const lps = (v: Vec): Vec => [v[0], -v[1], v[2]];
const [X, Y, Z, O] = [lps(x), lps(y), lps(z), [103, 52, -75] as Vec];
const view = {
  component: "cone/3",
  component_to_lps: [X[0], Y[0], Z[0], O[0], X[1], Y[1], Z[1], O[1], X[2], Y[2], Z[2], O[2], 0, 0, 0, 1],
  hip_axes: AXES,
  cut_point: [O[0], O[1], O[2]],
  cut_normal: [Z[0], Z[1], Z[2]],
  wire: [[O[0], O[1], O[2]], [O[0] - 50 * Z[0], O[1] - 50 * Z[1], O[2] - 50 * Z[2]]],
  head_centre: [O[0] + 10 * Z[0], O[1] + 10 * Z[1], O[2] + 10 * Z[2]],
  head_radius_mm: 23.5,
  cup_centre: [100, 50, -70],
  cup_radius_mm: 27,
  cup_axis: [0, 0, 1],
  least_wall_at: null,
  seat: [[O[0] + 8 * X[0], O[1] + 8 * X[1], O[2] + 8 * X[2], 1, 3.2]],
} as unknown as SpaceView;

describe("a place in space", () => {
  it("has the axis that its angles name: 90° frontal and 0° forward points straight up", () => {
    expect(distance(turnOf({ ...space, frontal_deg: 90, forward_deg: 0 })[2], [0, 0, 1])).toBeLessThan(1e-12);
    expect(turnOf({ ...space, frontal_deg: 0, forward_deg: 30 })[2][1]).toBeCloseTo(0.5, 12);
  });

  it("gives its angles back from its turn, and the turn is right-handed", () => {
    const angles = anglesOf([x, y, z]);
    expect(angles.frontal_deg).toBeCloseTo(132, 9);
    expect(angles.forward_deg).toBeCloseTo(11, 9);
    expect(angles.roll_deg).toBeCloseTo(25, 9);
    expect(distance(cross(x, y), z)).toBeLessThan(1e-12);
  });

  it("moves along the hip's axes, whichever way they lie in LPS", () => {
    const to = moved(placement, "component", AXES, [1, 2, 3]);
    expect([to.space?.x_mm, to.space?.y_mm, to.space?.z_mm]).toEqual([4, -4, 8]);
    expect([to.pose.x_mm, to.pose.z_mm]).toEqual([4, 8]);
    expect([moved(placement, "cup", AXES, [1, 2, 3]).cup?.x_mm, moved(placement, "cup", AXES, [1, 2, 3]).cup?.z_mm]).toEqual([2, 5]);
  });

  it("turned about the view of the frontal plane only its frontal angle changes when it lies in that plane", () => {
    const flat: PlacementIn = { ...placement, space: { ...space, forward_deg: 0, roll_deg: 0 } };
    const to = turned(flat, AXES, [0, 1, 0], 7).space;
    expect(Math.abs((to?.frontal_deg ?? 0) - 132)).toBeCloseTo(7, 9);
    expect(to?.forward_deg).toBeCloseTo(0, 9);
    expect(to?.roll_deg).toBeCloseTo(0, 9);
  });

  it("turned there and back it is where it was; rolled by a whole turn too", () => {
    const back = turned(turned(placement, AXES, [0.6, 0, 0.8], 23), AXES, [0.6, 0, 0.8], -23).space;
    for (const key of ["frontal_deg", "forward_deg", "roll_deg"] as const) expect(back?.[key]).toBeCloseTo(space[key], 9);
    expect(rolled(placement, 360).space?.roll_deg).toBeCloseTo(25, 9);
  });

  it("is kept to the step a hand can tell", () => {
    expect(rounded(moved(placement, "component", AXES, [0.123, 0, 0]), 0.1, 0.1).space?.x_mm).toBe(3.1);
  });
});

describe("what was drawn, carried with the hand", () => {
  it("lies where the server would draw the new place: mesh, cut, wire and seat alike", () => {
    const to = turned(moved(placement, "component", AXES, [2, -1, 0.5]), AXES, [0.36, 0.48, 0.8], 14);
    const now = carried(view, placement, to);
    const turn = turnOf(to.space ?? space);
    [0, 1, 2].forEach((k) => {
      const want = lps(turn[k as 0 | 1 | 2]);
      const got: Vec = [now.component_to_lps[k] ?? 0, now.component_to_lps[4 + k] ?? 0, now.component_to_lps[8 + k] ?? 0];
      expect(distance(got, want)).toBeLessThan(1e-9);
    });
    const origin: Vec = [O[0] + 2, O[1] - 1, O[2] + 0.5];
    expect(distance(now.cut_point, origin)).toBeLessThan(1e-9);
    expect(distance(now.cut_normal, lps(turn[2]))).toBeLessThan(1e-9);
    expect(distance(now.wire[1] ?? [0, 0, 0], sub(origin, [50 * now.cut_normal[0], 50 * now.cut_normal[1], 50 * now.cut_normal[2]]))).toBeLessThan(1e-9);
    const seat = now.seat[0] ?? [0, 0, 0, 0, 0];
    expect(distance([seat[0], seat[1], seat[2]], origin)).toBeCloseTo(8, 9);
    expect([seat[3], seat[4]]).toEqual([1, 3.2]);
  });

  it("leaves the cup where it is when only the component moves", () => {
    expect(carried(view, placement, moved(placement, "component", AXES, [5, 0, 0])).cup_centre).toEqual([100, 50, -70]);
    expect(carried(view, placement, moved(placement, "cup", AXES, [5, 0, 0])).cup_centre).toEqual([105, 50, -70]);
  });
});

describe("a cut and a slice", () => {
  it("meet in a line that lies in both", () => {
    const [a, b] = [{ point: [1, 2, 3] as Vec, normal: [0.6, 0, 0.8] as Vec }, { point: [-4, 0, 2] as Vec, normal: [0, 1, 0] as Vec }];
    const line = meets(a, b);
    for (const t of [-10, 0, 7]) {
      const p: Vec = [(line?.point[0] ?? 0) + t * (line?.direction[0] ?? 0), (line?.point[1] ?? 0) + t * (line?.direction[1] ?? 0), (line?.point[2] ?? 0) + t * (line?.direction[2] ?? 0)];
      expect(dot(sub(p, a.point), a.normal)).toBeCloseTo(0, 9);
      expect(dot(sub(p, b.point), b.normal)).toBeCloseTo(0, 9);
    }
    expect(meets(a, { point: [0, 0, 0], normal: [0.6, 0, 0.8] })).toBeNull();
  });
});
