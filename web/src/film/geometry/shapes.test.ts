import { describe, expect, it } from "vitest";
import { arcPoints, contains, crossing, insertCorner, keptArcs, nearestEdge, onCircle, sweepDeg, toSegment } from "./shapes";
import { imageCircle, imagePoint } from "./types";

const square = [imagePoint(0, 0), imagePoint(10, 0), imagePoint(10, 10), imagePoint(0, 10)];

describe("outlines on the film", () => {
  it("finds the edge nearest a press, the closing edge too", () => {
    expect(nearestEdge(square, [5, -1])).toEqual({ index: 0, distance: 1 });
    expect(nearestEdge(square, [-2, 5])).toEqual({ index: 3, distance: 2 });
    expect(nearestEdge([imagePoint(0, 0)], [1, 1]).index).toBe(-1);
  });

  it("measures to the segment, not to the line through it", () => {
    expect(toSegment([13, 4], [0, 0], [10, 0]).distance).toBe(5);
  });

  it("puts a new corner between its neighbours", () => {
    expect(insertCorner(square, 3, imagePoint(-1, 5)).at(-1)).toEqual([-1, 5]);
    expect(insertCorner(square, 0, imagePoint(5, -1))[1]).toEqual([5, -1]);
  });

  it("knows inside from outside", () => {
    expect(contains(square, [5, 5])).toBe(true);
    expect(contains(square, [15, 5])).toBe(false);
  });

  it("crosses lines where they cross, and says when they never do", () => {
    expect(crossing([0, 0], [10, 10], [0, 10], [10, 0])).toEqual([5, 5]);
    expect(crossing([0, 0], [10, 0], [0, 1], [10, 1])).toBeNull();
  });
});

describe("arcs of a head", () => {
  it("90 degrees is up on the picture, and rows that are taller count for more", () => {
    const circle = imageCircle(100, 200, 50);
    expect(onCircle(circle, 90, 1)[1]).toBeCloseTo(150, 9);
    expect(onCircle(circle, 90, 2)[1]).toBeCloseTo(175, 9);
    expect(onCircle(circle, 0, 1)[0]).toBeCloseTo(150, 9);
  });

  it("sweeps counter-clockwise, over zero too", () => {
    expect(sweepDeg(350, 10)).toBe(20);
    expect(sweepDeg(52, 149)).toBe(97);
    expect(sweepDeg(30, 30)).toBe(360);
  });

  it("keeps what is not left out, and the two together are the whole circle", () => {
    const gaps = [
      { from_deg: 340, to_deg: 20 },
      { from_deg: 52, to_deg: 149 },
    ];
    const kept = keptArcs(gaps);
    const total = [...kept, ...gaps].reduce((sum, arc) => sum + sweepDeg(arc.from_deg, arc.to_deg), 0);
    expect(total).toBeCloseTo(360, 9);
    expect(kept).toHaveLength(2);
    expect(keptArcs([])).toEqual([{ from_deg: 0, to_deg: 360 }]);
  });

  it("joins gaps that overlap", () => {
    const kept = keptArcs([
      { from_deg: 40, to_deg: 100 },
      { from_deg: 80, to_deg: 120 },
    ]);
    expect(kept).toHaveLength(1);
    expect(sweepDeg(kept[0]?.from_deg ?? 0, kept[0]?.to_deg ?? 0)).toBeCloseTo(280, 9);
  });

  it("draws an arc from end to end", () => {
    const circle = imageCircle(0, 0, 10);
    const points = arcPoints(circle, 350, 20, 1);
    expect(points[0]?.[0]).toBeCloseTo(10 * Math.cos((350 * Math.PI) / 180), 9);
    expect(points.at(-1)?.[1]).toBeCloseTo(-10 * Math.sin((20 * Math.PI) / 180), 9);
  });
});
