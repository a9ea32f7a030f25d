import { describe, expect, it } from "vitest";
import { draggedWindow, greyOf, greyTable, type Voi } from "./voi";

const voi = (fn: Voi["function"], center: number, width: number): Voi => ({ function: fn, center, width });

describe("values of interest, DICOM PS3.3 C.11.2.1.2", () => {
  // The standard's worked examples: note to C.11.2.1.2.1, output range 0 to 255.
  it("LINEAR, c=2048 w=4096: below 0 black, above 4095 white, (x - 2047.5)/4095 + 0.5 between", () => {
    const window = voi("LINEAR", 2048, 4096);
    expect(greyOf(0, window)).toBe(0);
    expect(greyOf(4096, window)).toBe(1);
    expect(greyOf(1000, window)).toBeCloseTo((1000 - 2047.5) / 4095 + 0.5, 12);
  });

  it("LINEAR, c=2048 w=1: a threshold at 2047.5", () => {
    const window = voi("LINEAR", 2048, 1);
    expect(greyOf(2047, window)).toBe(0);
    expect(greyOf(2048, window)).toBe(1);
  });

  it("LINEAR, c=0 w=100: from -50 to 49", () => {
    const window = voi("LINEAR", 0, 100);
    expect(greyOf(-50, window)).toBe(0);
    expect(greyOf(49.001, window)).toBe(1);
    expect(greyOf(0, window)).toBeCloseTo(0.5 / 99 + 0.5, 12);
  });

  it("LINEAR_EXACT has no half-steps: c=127.5 w=255 is the identity on 0 to 255", () => {
    const window = voi("LINEAR_EXACT", 127.5, 255);
    for (const x of [1, 64, 127.5, 200, 255]) expect(greyOf(x, window)).toBeCloseTo(x / 255, 12);
    expect(greyOf(0, window)).toBe(0);
  });

  it("SIGMOID is 1/2 at its centre, 1/(1+e^-2) half a width above it, and symmetric", () => {
    const window = voi("SIGMOID", 1000, 400);
    expect(greyOf(1000, window)).toBe(0.5);
    expect(greyOf(1200, window)).toBeCloseTo(1 / (1 + Math.exp(-2)), 12);
    expect(greyOf(1137, window) + greyOf(863, window)).toBeCloseTo(1, 12);
  });

  it("a table holds its ends and reads between its entries", () => {
    const window: Voi = { ...voi("TABLE", 0, 1), table: [0, 0.25, 1], tableSpan: [100, 300] };
    expect(greyOf(50, window)).toBe(0);
    expect(greyOf(200, window)).toBe(0.25);
    expect(greyOf(250, window)).toBeCloseTo(0.625, 12);
    expect(greyOf(999, window)).toBe(1);
  });
});

describe("the table of greys", () => {
  it("applies slope and intercept before the window and polarity after it", () => {
    const window = voi("LINEAR_EXACT", 0, 2000);
    const plain = greyTable(window, 2, -1000, false);
    expect(plain[0]).toBe(0);
    expect(plain[500]).toBe(128);
    expect(plain[1000]).toBe(255);
    const inverted = greyTable(window, 2, -1000, true);
    for (const stored of [0, 300, 500, 1000, 65535]) expect((inverted[stored] ?? 0) + (plain[stored] ?? 0)).toBeGreaterThanOrEqual(254);
    expect(inverted[0]).toBe(255);
  });
});

describe("a window changed by a drag", () => {
  const canvas = { width: 1000, height: 500 };

  it("right widens by the film's range a canvas width, down raises the centre", () => {
    const dragged = draggedWindow(voi("LINEAR", 500, 200), [250, 50], canvas, [0, 4000]);
    expect(dragged.width).toBeCloseTo(1200, 9);
    expect(dragged.center).toBeCloseTo(900, 9);
  });

  it("never falls below the narrowest window that the function allows", () => {
    expect(draggedWindow(voi("LINEAR", 500, 200), [-1e6, 0], canvas, [0, 4000]).width).toBe(1);
    expect(draggedWindow(voi("SIGMOID", 500, 200), [-1e6, 0], canvas, [0, 4000]).width).toBeGreaterThan(0);
  });

  it("leaves a table for a line, and a sigmoid a sigmoid", () => {
    expect(draggedWindow(voi("TABLE", 1, 2), [1, 1], canvas, [0, 1]).function).toBe("LINEAR");
    expect(draggedWindow(voi("SIGMOID", 1, 2), [1, 1], canvas, [0, 1]).function).toBe("SIGMOID");
  });
});
