import { describe, expect, it } from "vitest";
import { imagePoint, screenPoint } from "../geometry/types";
import { toScreen } from "../geometry/viewport";
import type { Voi } from "../grey/voi";
import { link, ViewControl } from "./control";
import { barLengthMm } from "./marks";

const window: Voi = { function: "LINEAR", center: 2000, width: 1000 };
const made = (range: readonly [number, number] = [0, 4000], inverted = false): ViewControl => {
  const control = new ViewControl({ columns: 1000, rows: 1000, rowFactor: 1, range }, [window], inverted);
  control.resize({ width: 500, height: 400 });
  return control;
};

describe("how a film is looked at", () => {
  it("keeps the place in the middle when the canvas changes after a zoom", () => {
    const control = made();
    control.zoom(3, screenPoint(100, 100));
    const before = control.look;
    control.resize({ width: 900, height: 300 });
    expect(control.look?.column).toBeCloseTo(before?.column ?? 0, 9);
    expect(control.look?.row).toBeCloseTo(before?.row ?? 0, 9);
  });

  it("fits anew when nobody has zoomed", () => {
    const control = made();
    control.resize({ width: 1000, height: 2000 });
    expect(control.view.get()?.zoom).toBeCloseTo(1, 9);
  });

  it("takes typed windows and ignores what cannot be one", () => {
    const control = made();
    control.typeWindow(1234, 567);
    expect(control.voi.get()).toMatchObject({ center: 1234, width: 567 });
    control.typeWindow(Number.NaN, 10);
    control.typeWindow(10, 0.5);
    expect(control.voi.get()).toMatchObject({ center: 1234, width: 567 });
  });

  it("brings a point into sight, and moves nothing when it is", () => {
    const control = made();
    control.zoom(8, screenPoint(0, 0));
    const point = imagePoint(900, 900);
    control.reveal(point);
    const view = control.view.get();
    expect(view && toScreen(view, point)[0]).toBeLessThanOrEqual(440 + 1e-6);
    control.reveal(point);
    expect(control.view.get()).toEqual(view);
  });
});

describe("two films that follow one another", () => {
  it("share place, window in shares of their own range, and a change of polarity", () => {
    const [a, b] = [made([0, 4000]), made([0, 65535], true)];
    const end = link(a, b);
    a.zoom(2, screenPoint(50, 50));
    expect(b.look?.column).toBeCloseTo(a.look?.column ?? 0, 6);
    b.typeWindow(65535 / 2, 65535 / 4);
    expect(a.voi.get().center).toBeCloseTo(2000, 6);
    expect(a.voi.get().width).toBeCloseTo(1000, 6);
    a.invert();
    expect([a.inverted.get(), b.inverted.get()]).toEqual([true, false]);
    end();
    a.invert();
    expect(b.inverted.get()).toBe(false);
  });
});

describe("the scale bar", () => {
  it("is 50 mm whenever that fits, and says another length when it does not", () => {
    expect(barLengthMm(2, 987)).toBe(50);
    expect(barLengthMm(20, 987)).toBe(20);
    expect(barLengthMm(0.5, 987)).toBe(100);
  });
});
