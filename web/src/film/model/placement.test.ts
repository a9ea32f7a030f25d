import { describe, expect, it } from "vitest";
import type { Appraisal, PlacementIn } from "../../api/schema";
import { around } from "../placement/Parts";
import { spanMm } from "../placement/ReserveRule";
import { frameFrom } from "../placement/useLateralFrame";
import { clockwiseSign, moveInMm } from "../geometry/frame";
import { wrapped } from "./words";
import { movedBetween, samePlacement, slid, STILL, turned, versioned } from "./placement";

const placement: PlacementIn = {
  level: "mid_head",
  family: "f",
  size: "3",
  head_mm: 48,
  neck_length: null,
  pose: { x_mm: 1, z_mm: 2, ap_angle_deg: 40, y_mm: 0, lateral_angle_deg: 0 },
  cup: { family: "c", size: "54", x_mm: 0, z_mm: 0, inclination_deg: 42, version_deg: 15 },
};

describe("a placement as it is moved", () => {
  it("slides the component or the cup, never both", () => {
    expect(slid(placement, "component", "ap", 0.5, -1).pose).toMatchObject({ x_mm: 1.5, z_mm: 1 });
    expect(slid(placement, "component", "ap", 0.5, -1).cup).toEqual(placement.cup);
    expect(slid(placement, "cup", "ap", 2, 3).cup).toMatchObject({ x_mm: 2, z_mm: 3 });
    expect(slid(placement, "cup", "ap", 2, 3).pose).toEqual(placement.pose);
  });

  it("on the lateral film only forward and back: depth belongs to the AP film", () => {
    expect(slid(placement, "component", "lateral", 5, 1.5).pose).toEqual({ ...placement.pose, y_mm: 1.5 });
    expect(slid(placement, "cup", "lateral", 5, 1.5)).toBe(placement);
  });

  it("turns in the film that is turned in", () => {
    expect(turned(placement, "component", "ap", 0.5).pose.ap_angle_deg).toBe(40.5);
    expect(turned(placement, "component", "lateral", -0.5).pose.lateral_angle_deg).toBe(-0.5);
    expect(turned(placement, "cup", "ap", 0.5).cup?.inclination_deg).toBe(42.5);
    expect(versioned(placement, 0.5).cup?.version_deg).toBe(15.5);
    expect(versioned({ ...placement, cup: null }, 0.5).cup).toBeNull();
  });

  it("says what moved, for a drawing that follows the hand", () => {
    const after = turned(slid(placement, "component", "ap", 2, -1), "component", "ap", 3);
    expect(movedBetween(placement, after, "component", "ap")).toEqual({ first_mm: 2, second_mm: -1, turn_deg: 3 });
    expect(movedBetween(placement, after, "cup", "ap")).toEqual({ first_mm: 0, second_mm: 0, turn_deg: 0 });
    expect(movedBetween(placement, after, "cup", "lateral")).toBe(STILL);
  });

  it("knows itself again when it comes back from the server", () => {
    expect(samePlacement(placement, JSON.parse(JSON.stringify({ ...placement, pose: { ...placement.pose, x_mm: 1 + 1e-9 } })) as PlacementIn)).toBe(true);
    expect(samePlacement(placement, { ...placement, size: "4" })).toBe(false);
  });
});

describe("where anterior lies on a lateral film", () => {
  const drawn = (cut: [number, number][], axis: [number, number][]): Appraisal =>
    ({ drawing_lateral: { frame: "lateral_px", shapes: [{ role: "cut", points: cut, closed: false, label: null }, { role: "axis", points: axis, closed: false, label: null }] } }) as unknown as Appraisal;

  it("is learnt from what moved on the drawing", () => {
    const here = drawn([[100, 50], [100, 150]], [[0, 100], [200, 100]]);
    const anterior = drawn([[100, 45], [100, 145]], [[0, 95], [200, 95]]);
    const turnedOn = drawn([[100, 50], [100, 150]], [[0, 109], [200, 91]]);
    const frame = frameFrom(here, anterior, turnedOn, 1);
    expect(frame && moveInMm(frame, 0, -10)[1]).toBeCloseTo(2, 9);
    expect(frame && clockwiseSign(frame)).toBe(-1);
  });

  it("stays unknown when the drawing did not move", () => {
    const here = drawn([[100, 50], [100, 150]], [[0, 100], [200, 100]]);
    expect(frameFrom(here, here, here, 1)).toBeNull();
  });
});

describe("small things of the page", () => {
  it("shows the present size with its neighbours", () => {
    expect(around([1, 2, 3, 4, 5, 6, 7, 8], 0)).toEqual([1, 2, 3, 4, 5]);
    expect(around([1, 2, 3, 4, 5, 6, 7, 8], 4)).toEqual([3, 4, 5, 6, 7]);
    expect(around([1, 2, 3, 4, 5, 6, 7, 8], 7)).toEqual([4, 5, 6, 7, 8]);
    expect(around([1, 2], 1)).toEqual([1, 2]);
  });

  it("breaks words into lines and never within one", () => {
    expect(wrapped("seat leaves sound bone", 12)).toEqual(["seat leaves", "sound bone"]);
    expect(wrapped("circumference", 5)).toEqual(["circumference"]);
  });

  it("a reserve rule without ends still has a length", () => {
    expect(spanMm(null)).toBe(8);
  });
});
