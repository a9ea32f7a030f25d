import { describe, expect, it } from "vitest";
import type { SpaceView } from "../../api/schema";
import { FRONTAL } from "../geometry/plane";
import { distance, dot, sub, type Vec } from "../geometry/vec";
import { cupOn, cutOn, heldTo, seatOn, sphereOn, turnOn } from "./slices";

const view = {
  cut_point: [0, 0, 0],
  cut_normal: [0, 0, 1],
  cup_centre: [1, 2, 3],
  cup_radius_mm: 25,
  cup_axis: [0, 0, -1],
  seat: [[0, 0.5, 0, 1, 3], [4, 0.5, 1, 0, 2], [4, 0.5, 2, -1, 0], [0, 9, 0, 1, 3]],
} as unknown as SpaceView;
const slice = { point: [0, 0, 0] as Vec, normal: [0, 1, 0] as Vec };

describe("a sphere on a slice", () => {
  it("is a circle of the closed form: r² = R² − d², every point on the sphere and on the slice", () => {
    const [ring] = sphereOn([1, 7, 3], 25, slice);
    expect(ring?.closed).toBe(true);
    for (const point of ring?.points ?? []) {
      expect(distance(point, [1, 7, 3])).toBeCloseTo(25, 9);
      expect(distance(point, [1, 0, 3])).toBeCloseTo(24, 9);
      expect(point[1]).toBeCloseTo(0, 12);
    }
  });
  it("is nothing when it is missed", () => expect(sphereOn([0, 26, 0], 25, slice)).toEqual([]));
});

describe("the cup", () => {
  it("is the half that its opening looks away from, in one arc", () => {
    const arcs = cupOn(view, slice);
    expect(arcs).toHaveLength(1);
    expect(arcs[0]?.closed).toBe(false);
    for (const point of arcs[0]?.points ?? []) expect(dot(sub(point, [1, 2, 3]), [0, 0, -1])).toBeLessThanOrEqual(0);
    const top = Math.max(...(arcs[0]?.points ?? []).map((point) => point[2]));
    expect(top).toBeCloseTo(3 + Math.sqrt(25 * 25 - 4), 1);
  });
});

describe("the cut", () => {
  it("lies in the slice and in its own plane, as long as asked", () => {
    const line = cutOn(view, slice, 30);
    expect(distance(line?.[0] ?? [0, 0, 0], line?.[1] ?? [0, 0, 0])).toBeCloseTo(60, 9);
    for (const end of line ?? []) expect([end[1], end[2]].map(Math.abs).every((x) => x < 1e-12)).toBe(true);
  });
  it("is not drawn on a slice that is far from it, nor on one that lies along it", () => {
    expect(cutOn(view, { point: [0, 50, 0], normal: [0, 1, 0] }, 30)).toBeNull();
    expect(cutOn(view, { point: [0, 0, 4], normal: [0, 0, 1] }, 30)).toBeNull();
  });
});

describe("the seat", () => {
  it("is told apart by what it stands on, near the slice only", () => {
    const seat = seatOn(view, slice, 1);
    expect(seat.sound).toEqual([[0, 0.5, 0]]);
    expect(seat.unsound).toHaveLength(2);
  });
});

describe("a turn by hand", () => {
  it("counts right-handed about the direction of looking: clockwise on the screen", () => {
    // On the frontal plane right is patient left, down is foot.
    expect(turnOn(FRONTAL, [0, 0, 0], [10, 0, 0], [0, 0, -10])).toBeCloseTo(90, 9);
    expect(turnOn(FRONTAL, [0, 5, 0], [10, 3, 0], [0, -8, 10])).toBeCloseTo(-90, 9);
  });
  it("and a move held to a direction keeps its part along it", () => expect(heldTo([3, 4, 5], [0, 1, 0])).toEqual([0, 4, 0]));
});
