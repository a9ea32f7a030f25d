import { describe, expect, it } from "vitest";
import { imagePoint, mmPerPx, screenPoint } from "./types";
import { fit, fitBox, keepInSight, lookOf, pan, screenLength, toImage, toScreen, viewOf, zoomAt } from "./viewport";

const film = { columns: 3000, rows: 2500 };
const canvas = { width: 987, height: 752 };

describe("a film on its canvas", () => {
  it("fits whole and centred, with pixel centres half a pixel inside the edge", () => {
    const view = fit(film, canvas, 1);
    expect(view.zoom).toBeCloseTo(752 / 2500, 12);
    const [left, top] = toScreen(view, [-0.5, -0.5]);
    const [right, bottom] = toScreen(view, [2999.5, 2499.5]);
    expect(top).toBeCloseTo(0, 9);
    expect(bottom).toBeCloseTo(752, 9);
    expect(left).toBeCloseTo(987 - right, 9);
  });

  it("shows a circle in the patient as a circle where rows are taller than columns", () => {
    const view = fit(film, canvas, 1.5);
    const centre = toScreen(view, [100, 100]);
    const across = toScreen(view, [130, 100]);
    const down = toScreen(view, [100, 100 + 30 / 1.5]);
    expect(down[1] - centre[1]).toBeCloseTo(across[0] - centre[0], 9);
  });

  it("goes to the screen and back without a change", () => {
    const view = { zoom: 0.37, x: -12.5, y: 40.25, rowFactor: 1.2 };
    const back = toImage(view, toScreen(view, imagePoint(1234.5, 678.25)));
    expect(back[0]).toBeCloseTo(1234.5, 9);
    expect(back[1]).toBeCloseTo(678.25, 9);
  });

  it("zooms about the pointer: the film under it stays", () => {
    const view = fit(film, canvas, 1.2);
    const at = screenPoint(700, 300);
    const held = toImage(view, at);
    const zoomed = zoomAt(view, 3, at, film, canvas);
    const now = toScreen(zoomed, held);
    expect(now[0]).toBeCloseTo(700, 6);
    expect(now[1]).toBeCloseTo(300, 6);
    expect(zoomed.zoom).toBeCloseTo(view.zoom * 3, 9);
  });

  it("stops zooming at one film column over 24 screen pixels and at half the fitted size", () => {
    const view = fit(film, canvas, 1);
    expect(zoomAt(view, 1e9, screenPoint(1, 1), film, canvas).zoom).toBe(24);
    expect(zoomAt(view, 1e-9, screenPoint(1, 1), film, canvas).zoom).toBeCloseTo(view.zoom / 2, 9);
  });

  it("cannot be lost by panning", () => {
    const far = pan(fit(film, canvas, 1), 1e6, -1e6, film, canvas);
    const corner = toScreen(far, [-0.5, 2499.5]);
    expect(corner[0]).toBeLessThan(canvas.width);
    expect(corner[1]).toBeGreaterThan(0);
  });

  it("leaves no gap beside a film larger than the canvas when asked to lie flush", () => {
    const view = keepInSight({ zoom: 1, x: 200, y: -5000, rowFactor: 1 }, film, canvas, true);
    expect(toScreen(view, [-0.5, 0])[0]).toBeCloseTo(0, 9);
    expect(toScreen(view, [0, 2499.5])[1]).toBeCloseTo(canvas.height, 9);
  });

  it("opens on a box with the box inside the canvas", () => {
    const view = fitBox(imagePoint(1000, 900), imagePoint(1400, 1300), film, canvas, 1);
    const [a, b] = [toScreen(view, [1000, 900]), toScreen(view, [1400, 1300])];
    expect(Math.min(a[0], a[1])).toBeGreaterThanOrEqual(-1e-9);
    expect(b[0]).toBeLessThanOrEqual(canvas.width + 1e-9);
    expect(b[1]).toBeLessThanOrEqual(canvas.height + 1e-9);
  });

  it("hands a look on to a film of another size, and back", () => {
    const other = { columns: 1720, rows: 1720 };
    const view = zoomAt(fit(film, canvas, 1), 4, screenPoint(400, 400), film, canvas);
    const there = viewOf(lookOf(view, film, canvas), other, canvas, 1);
    const back = viewOf(lookOf(there, other, canvas), film, canvas, 1);
    expect(back.zoom).toBeCloseTo(view.zoom, 9);
    expect(back.x).toBeCloseTo(view.x, 6);
    expect(back.y).toBeCloseTo(view.y, 6);
  });

  it("draws 50 mm as long as 50 mm are", () => {
    expect(screenLength({ zoom: 0.5, x: 0, y: 0, rowFactor: 1 }, 50, mmPerPx(0.2))).toBeCloseTo(125, 9);
  });
});
