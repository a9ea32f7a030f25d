import { describe, expect, it } from "vitest";
import { fit } from "../geometry/viewport";
import { paint } from "./processor";
import { halve, Pyramid } from "./pyramid";
import { littleEndian } from "./source";
import { greyTable } from "./voi";

describe("a film and its halves", () => {
  it("halves by the mean of two by two", () => {
    const half = halve({ rows: 2, cols: 4, step: 1, data: Uint16Array.from([0, 4, 100, 100, 8, 4, 100, 104]) });
    expect([...half.data]).toEqual([4, 101]);
    expect(half.step).toBe(2);
  });

  it("takes the level whose pixels are about one screen pixel", () => {
    const film = new Pyramid(64, 64, new Uint16Array(64 * 64));
    expect(film.levelFor(1)).toBe(0);
    expect(film.levelFor(3)).toBe(0);
    expect(film.levelFor(0.5)).toBe(1);
    expect(film.levelFor(0.3)).toBe(1);
    expect(film.levelFor(0.25)).toBe(2);
  });

  it("refuses a film that was cut short", () => {
    expect(() => new Pyramid(10, 10, new Uint16Array(99))).toThrow(/cut short/);
  });

  it("reads little-endian bytes", () => {
    expect([...littleEndian(Uint8Array.from([0x34, 0x12, 0xff, 0x00, 0x07]).buffer)]).toEqual([0x1234, 0x00ff]);
  });
});

describe("painting on the processor", () => {
  const table = greyTable({ function: "LINEAR_EXACT", center: 127.5, width: 255 }, 1, 0, false);
  const render = (rows: number, cols: number, data: number[], view: Parameters<typeof paint>[2], width: number, height: number): number[] => {
    const into = new Uint32Array(width * height);
    paint({ rows, cols, step: 1, data: Uint16Array.from(data) }, table, view, 1, into, width, height);
    return [...into].map((pixel) => pixel & 255);
  };

  it("shows each film pixel exactly where one film pixel is one screen pixel", () => {
    const view = fit({ columns: 3, rows: 2 }, { width: 3, height: 2 }, 1);
    expect(render(2, 3, [10, 20, 30, 40, 50, 60], view, 3, 2)).toEqual([10, 20, 30, 40, 50, 60]);
  });

  it("reads between pixels when enlarged, and holds the edge", () => {
    const view = fit({ columns: 2, rows: 1 }, { width: 8, height: 4 }, 1);
    const line = render(1, 2, [0, 200], view, 8, 4).slice(0, 8);
    expect(line[0]).toBe(0);
    expect(line[7]).toBe(200);
    expect(line[3]).toBe(75);
    expect(line[4]).toBe(125);
  });

  it("shows the surround beside the film", () => {
    const pixels = render(1, 1, [255], { zoom: 1, x: 1.5, y: 0.5, rowFactor: 1 }, 3, 1);
    expect(pixels[1]).toBe(255);
    expect(pixels[0]).toBeLessThan(16);
    expect(pixels[2]).toBeLessThan(16);
  });

  it("a halved film lies where the whole one lay", () => {
    const whole = Array.from({ length: 16 * 16 }, (_, i) => (i % 16) * 10);
    const level = { rows: 16, cols: 16, step: 1, data: Uint16Array.from(whole) };
    const view = { zoom: 0.5, x: 0, y: 0, rowFactor: 1 };
    const [a, b] = [new Uint32Array(64), new Uint32Array(64)];
    paint(level, table, view, 1, a, 8, 8);
    paint(halve(level), table, view, 1, b, 8, 8);
    // A ramp halves to itself, so both must show the same greys away from the edge.
    for (let x = 1; x < 7; x++) expect(Math.abs(((a[27 - 3 + x] ?? 0) & 255) - ((b[27 - 3 + x] ?? 0) & 255))).toBeLessThanOrEqual(1);
  });
});
