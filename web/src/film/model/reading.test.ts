import { describe, expect, it } from "vitest";
import type { SnapOut } from "../../api/schema";
import { imageCircle, imagePoint } from "../geometry/types";
import { accept, applySnap, EMPTY, groupOf, nameOf, placeCircle, placePoint, remove, sameState, setSign, sideOf, stops, wanted } from "./reading";
import { columnsToLeft, columnsToLeftByPelvis, wantsHalf } from "./side";

const snap: SnapOut = {
  found: true,
  says: "",
  ask: null,
  points: { "right.head_centre": [100, 200] },
  sd_px: { "right.head_centre": 1.5 },
  circle: [100, 200, 50],
  circle_sd_px: 1,
  used: [],
  left_out: [{ from_deg: 50, to_deg: 150, why: "flattened part" }],
  outlines: {},
  residual_mm: 0.4,
  used_arc_deg: 260,
};
const found = applySnap(placePoint(EMPTY, "right.head_centre", imagePoint(103, 204)), "right", snap, ["right.head_centre"]);

describe("a reading as it is edited", () => {
  it("what the program found waits for a yes, all of one snap together", () => {
    expect(found.found.sort()).toEqual(["right.head", "right.head_centre"]);
    expect(found.points["right.head_centre"]).toEqual([100, 200]);
    expect(accept(found, "right.head_centre").found).toEqual([]);
    expect(accept(found, "right.head").found).toEqual([]);
    expect(accept(found, "left.head_centre")).toBe(found);
  });

  it("a snap never replaces what a reader placed", () => {
    const mine = placePoint(EMPTY, "right.neck_superior", imagePoint(1, 2));
    const after = applySnap(mine, "right", { ...snap, circle: null, points: { "right.neck_superior": [9, 9], "right.neck_axis_point": [5, 5] } }, ["right.neck_axis_point"]);
    expect(after.points["right.neck_superior"]).toEqual([1, 2]);
    expect(after.points["right.neck_axis_point"]).toEqual([5, 5]);
    expect(after.found).toEqual(["right.neck_axis_point"]);
  });

  it("a mark moved by hand is the hand's: no longer found, no longer the program's scatter", () => {
    const moved = placePoint(found, "right.head_centre", imagePoint(110, 210));
    expect(moved.found).toEqual([]);
    expect(moved.sd_px).toEqual({});
    expect(moved.circles["right.head"]).toEqual([110, 210, 50]);
    expect(moved.left_out["right.head"]).toBeUndefined();
  });

  it("a circle drawn by hand keeps centre and point together", () => {
    const drawn = placeCircle(found, "right", imageCircle(101, 202, 60));
    expect(drawn.points["right.head_centre"]).toEqual([101, 202]);
    expect(drawn.found).toEqual([]);
  });

  it("taking a head centre away takes its circle with it, and nothing of the other side", () => {
    const both = placePoint(found, "left.head_centre", imagePoint(500, 200));
    const left = remove(both, "right.head_centre");
    expect(left.points).toEqual({ "left.head_centre": [500, 200] });
    expect(left.circles).toEqual({});
    expect(left.found).toEqual([]);
  });

  it("asks first for a yes to what was found, then for the first mark still wanted and not passed over", () => {
    expect(wanted(found, ["left.teardrop"])).toBe("right.head_centre");
    const accepted = accept(found, "right.head");
    expect(wanted(accepted, ["left.teardrop", "left.ischium"])).toBe("left.teardrop");
    expect(wanted(accepted, ["left.teardrop", "left.ischium"], new Set(["left.teardrop"]))).toBe("left.ischium");
    expect(wanted(accepted, [])).toBeNull();
  });

  it("steps through marks in the table's order", () => {
    expect(stops(found, ["right.teardrop", "right.head_centre", "left.teardrop"], ["left.teardrop", "right.teardrop"])).toEqual(["right.teardrop", "right.head_centre", "left.teardrop"]);
  });

  it("reads sides and names from keys", () => {
    expect([sideOf("right.teardrop"), sideOf("pubic_symphysis"), nameOf("left.ischium"), nameOf("pubic_symphysis")]).toEqual(["right", null, "ischium", "pubic_symphysis"]);
    expect(groupOf("right.head_neck_junction_superior")).toBe("right.neck");
    expect(groupOf("left.shaft_distal")).toBe("left.shaft");
  });

  it("keeps signs by side; not looked at stays apart from no", () => {
    const state = setSign(setSign(EMPTY, "right", "crescent", false), "left", "cysts", true);
    expect(state.signs["right"]?.crescent).toBe(false);
    expect(state.signs["right"]?.cysts).toBeNull();
    expect(state.signs["left"]?.cysts).toBe(true);
  });

  it("knows its own state again when the server sends it back in another order", () => {
    const again = { ...found, sd_px: { "right.head": 1, "right.head_centre": 1.5 } };
    expect(sameState(found, again)).toBe(true);
    expect(sameState(found, placePoint(found, "right.teardrop", imagePoint(1, 1)))).toBe(false);
  });
});

describe("the letter on a film", () => {
  it("R on the left of the picture is the usual film; so is L on the right", () => {
    expect(columnsToLeft("right", "left half")).toBe(true);
    expect(columnsToLeft("left", "right half")).toBe(true);
    expect(columnsToLeft("right", "right half")).toBe(false);
    expect(columnsToLeft("left", "left half")).toBe(false);
    expect(columnsToLeft("both", "left half")).toBe(true);
  });

  it("says nothing where nothing was seen", () => {
    expect(columnsToLeft("none", "left half")).toBeNull();
    expect(columnsToLeft("right", null)).toBeNull();
  });

  it("a film of one hip is turned by where its pelvis lies", () => {
    expect(columnsToLeftByPelvis("right", "right half")).toBe(true);
    expect(columnsToLeftByPelvis("left", "left half")).toBe(true);
    expect(columnsToLeftByPelvis("left", "right half")).toBe(false);
  });

  it("asks where only when it decides something", () => {
    expect(wantsHalf("ap_pelvis", "right")).toBe("letter");
    expect(wantsHalf("ap_pelvis", "none")).toBeNull();
    expect(wantsHalf("ap_hip", "none")).toBe("pelvis");
    expect(wantsHalf("lateral_hip", "right")).toBeNull();
  });
});
