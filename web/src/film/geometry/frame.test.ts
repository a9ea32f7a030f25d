import { describe, expect, it } from "vitest";
import { along, apFrame, clockwiseSign, lateralFrame, medialColumnSign, moveInMm, moveInPx, turnDeg } from "./frame";
import { mmPerPx } from "./types";

const scale = mmPerPx(0.2);

describe("moves in the film frame", () => {
  it("medial is to the right of the picture for a right hip on a usual film, and the mirror of it otherwise", () => {
    expect(medialColumnSign("right", true)).toBe(1);
    expect(medialColumnSign("left", true)).toBe(-1);
    expect(medialColumnSign("right", false)).toBe(-1);
    expect(medialColumnSign("left", false)).toBe(1);
  });

  it("10 columns and 5 rows up at 0.2 mm per column, rows 1.5 times as tall", () => {
    const [x, z] = moveInMm(apFrame("right", true, scale, 1.5), 10, -5);
    expect(x).toBeCloseTo(2, 12);
    expect(z).toBeCloseTo(1.5, 12);
  });

  it("a left hip is the mirror image of a right one", () => {
    const right = moveInMm(apFrame("right", true, scale, 1), 7, 3);
    const left = moveInMm(apFrame("left", true, scale, 1), -7, 3);
    expect(left[0]).toBeCloseTo(right[0], 12);
    expect(left[1]).toBeCloseTo(right[1], 12);
  });

  it("goes to pixels and back", () => {
    for (const frame of [apFrame("left", false, scale, 1.3), lateralFrame([3, -4], true, 1), lateralFrame([0, -5], false, 1.25)]) {
      const [columns, rows] = moveInPx(frame, 2.5, -1.25);
      const [first, second] = moveInMm(frame, columns, rows);
      expect(first).toBeCloseTo(2.5, 9);
      expect(second).toBeCloseTo(-1.25, 9);
    }
  });

  it("turning from medial toward proximal is valgus: the same sign on both sides", () => {
    const pivot = [100, 100] as const;
    expect(turnDeg(apFrame("right", true, scale, 1), pivot, [110, 100], [100, 90])).toBeCloseTo(90, 9);
    expect(turnDeg(apFrame("left", true, scale, 1), pivot, [90, 100], [100, 90])).toBeCloseTo(90, 9);
    expect(clockwiseSign(apFrame("right", true, scale, 1))).toBe(-1);
    expect(clockwiseSign(apFrame("left", true, scale, 1))).toBe(1);
  });

  it("measures a turn in the patient, not in pixels that are not square", () => {
    const frame = apFrame("right", true, scale, 2);
    expect(turnDeg(frame, [0, 0], [10, 0], [10, -5])).toBeCloseTo(45, 9);
  });

  it("takes the short way round", () => {
    const frame = apFrame("right", true, scale, 1);
    expect(Math.abs(turnDeg(frame, [0, 0], [-10, 1], [-10, -1]))).toBeLessThan(12);
    expect(turnDeg(frame, [0, 0], [5, 5], [5, 5])).toBe(0);
    expect(turnDeg(frame, [0, 0], [10, 0], [-10, 0])).toBeCloseTo(180, 9);
  });

  it("keeps the sense of a lateral film that was drawn either way up", () => {
    expect(clockwiseSign(lateralFrame([0, -5], true, 1))).toBe(1);
    expect(clockwiseSign(lateralFrame([0, -5], false, 1))).toBe(-1);
    const frame = lateralFrame([0, 5], false, 1);
    expect(moveInMm(frame, 0, 5)[1]).toBeCloseTo(1, 12);
    expect(Math.hypot(...frame.first)).toBeCloseTo(Math.hypot(...frame.second), 12);
  });

  it("slides along a line only", () => {
    const only = along([3, 4], [0, 0], [10, 0]);
    expect(only[0]).toBeCloseTo(3, 12);
    expect(only[1]).toBeCloseTo(0, 12);
    expect(along([3, 4], [1, 1], [1, 1])).toEqual([0, 0]);
  });
});
