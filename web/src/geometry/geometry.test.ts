import { describe, expect, test } from "vitest";
import { boxOf, pathOf } from "./path";
import { graduations, niceStep, ruler } from "./ruler";
import { signPlan } from "./sign";
import { smooth } from "./spline";
import { spread } from "./spread";

describe("a ruler", () => {
  test("puts its ends at its ends, and goes back", () => {
    const rule = ruler(-6, 80, 10, 440);
    expect(rule.at(-6)).toBe(10);
    expect(rule.at(80)).toBe(440);
    expect(rule.value(rule.at(29))).toBeCloseTo(29, 12);
  });
  test("a mirrored ruler runs the other way", () => {
    const [there, back] = [ruler(0, 10, 0, 100), ruler(0, 10, 100, 0)];
    expect(there.at(3) + back.at(3)).toBe(100);
  });
  test("an empty range stands at its start instead of nowhere", () => {
    expect(ruler(5, 5, 12, 90).at(5)).toBe(12);
  });
  test("graduations include both ends and never drift", () => {
    expect(graduations(0, 80, 20)).toEqual([0, 20, 40, 60, 80]);
    expect(graduations(0, 1, 0.1)).toHaveLength(11);
    expect(graduations(2022.2, 2025.9, 1)).toEqual([2023, 2024, 2025]);
    expect(graduations(0, 10, 0)).toEqual([]);
  });
  test("the step leaves the room asked for and is 1, 2 or 5", () => {
    expect(niceStep(80, 400, 40)).toBe(10);
    expect(niceStep(80, 200, 40)).toBe(20);
    expect(niceStep(0, 200, 40)).toBe(1);
  });
});

describe("the limit sign's parts", () => {
  const width = 34;
  test("a value well under an upper limit: bead left of the post, bar wholly left", () => {
    const sign = signPlan(0.1, [0, 0.4], { low: null, high: 0.5 }, width);
    expect(sign.posts).toEqual([17]);
    expect(sign.bead).toBeLessThan(17);
    expect(sign.bar?.[1]).toBeLessThan(17);
  });
  test("an interval that crosses the limit crosses the post", () => {
    const sign = signPlan(2.2, [1.8, 2.6], { low: 2, high: null }, width);
    expect(sign.bar?.[0]).toBeLessThan(17);
    expect(sign.bar?.[1]).toBeGreaterThan(17);
  });
  test("mirroring value and limit mirrors the sign", () => {
    const one = signPlan(3, [2, 4.5], { low: null, high: 4 }, width);
    const two = signPlan(-3, [-4.5, -2], { low: -4, high: null }, width);
    expect(two.bead).toBeCloseTo(width - (one.bead ?? 0), 9);
  });
  test("the unit does not matter", () => {
    const mm = signPlan(3, [2, 4.5], { low: -5, high: 5 }, width);
    const cm = signPlan(0.3, [0.2, 0.45], { low: -0.5, high: 0.5 }, width);
    expect(cm.bead).toBeCloseTo(mm.bead ?? 0, 9);
    expect(cm.posts[0]).toBeCloseTo(mm.posts[0] ?? 0, 9);
  });
  test("everything stays inside the picture, however far the value", () => {
    for (const value of [-1e6, -5, 0, 5, 1e6]) {
      const sign = signPlan(value, [value - 1, value + 1], { low: -5, high: 5 }, width);
      for (const x of [...sign.posts, ...(sign.bar ?? []), sign.bead ?? 0]) {
        expect(x).toBeGreaterThanOrEqual(0);
        expect(x).toBeLessThanOrEqual(width);
      }
    }
  });
  test("without a value there is no bead and no bar", () => {
    expect(signPlan(null, null, { low: 2, high: null }, width)).toMatchObject({ bead: null, bar: null });
  });
  test("without an interval there is a bead and no bar", () => {
    const sign = signPlan(3, null, { low: 2, high: null }, width);
    expect(sign.bar).toBeNull();
    expect(sign.bead).toBeGreaterThan(17);
  });
});

describe("things hung on a line", () => {
  test("stay where they want when there is room", () => {
    expect(spread([10, 200, 400], 80, 0, 500)).toEqual([10, 200, 400]);
  });
  test("never touch, keep their order and stay inside", () => {
    const placed = spread([100, 101, 99, 480], 80, 40, 500);
    const sorted = [...placed].sort((a, b) => a - b);
    expect(placed[2]).toBe(sorted[0]);
    for (let i = 1; i < sorted.length; i++) expect((sorted[i] ?? 0) - (sorted[i - 1] ?? 0)).toBeGreaterThanOrEqual(80);
    expect(sorted[0]).toBeGreaterThanOrEqual(40);
    expect(sorted[3]).toBeLessThanOrEqual(500);
  });
  test("an empty line is empty", () => expect(spread([], 80, 0, 100)).toEqual([]));
});

describe("paths", () => {
  test("closed and open", () => {
    expect(pathOf([[0, 0], [1.234, 2]], false)).toBe("M0 0L1.23 2");
    expect(pathOf([[0, 0], [1, 2]], true)).toBe("M0 0L1 2Z");
    expect(pathOf([], true)).toBe("");
  });
  test("the box of points, and of none", () => {
    expect(boxOf([[3, 1], [-1, 5]])).toEqual([-1, 1, 3, 5]);
    expect(boxOf([])).toBeNull();
  });
  test("a smooth curve passes through its points", () => {
    const d = smooth([[0, 0], [10, 5], [20, 0]]);
    expect(d.startsWith("M0 0C")).toBe(true);
    expect(d).toContain("10 5");
    expect(d.endsWith("20 0")).toBe(true);
  });
});
