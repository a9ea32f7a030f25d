import { describe, expect, test } from "vitest";
import { aroundPoint, besideLine, boxAt, overlap, placeLabels, type Wanted } from "./labels";

const bounds = { left: 0, top: 0, right: 400, bottom: 300 };
const label = (key: string, places: Wanted["places"]): Wanted => ({ key, width: 40, height: 16, places });

describe("labels on a film", () => {
  test("the place wished for is taken when it is free", () => {
    expect(placeLabels([label("a", [[100, 100], [200, 100]])], [], bounds).get("a")).toEqual([100, 100]);
  });
  test("a mark under the words sends them elsewhere", () => {
    expect(placeLabels([label("a", [[100, 100], [200, 100]])], [{ at: [110, 104], weight: 6 }], bounds).get("a")).toEqual([200, 100]);
  });
  test("two labels never lie on one another while there is room", () => {
    const at = placeLabels([label("a", [[100, 100]]), label("b", [[110, 104], [110, 140]])], [], bounds);
    expect(overlap(boxAt(at.get("a") as [number, number], 40, 16), boxAt(at.get("b") as [number, number], 40, 16))).toBe(0);
  });
  test("words stay inside the picture and off what is taken", () => {
    expect(placeLabels([label("a", [[4, 100], [60, 100]])], [], bounds).get("a")).toEqual([60, 100]);
    expect(placeLabels([label("a", [[60, 100], [300, 100]])], [], bounds, [{ left: 0, top: 50, right: 120, bottom: 200 }]).get("a")).toEqual([300, 100]);
  });
  test("beside a level line the first place is above its middle; beside an upright one it clears the words' width", () => {
    expect(besideLine([0, 50], [100, 50], 40, 16)[0]).toEqual([50, 37]);
    const [x, y] = besideLine([50, 0], [50, 100], 40, 16)[0] as [number, number];
    expect([Math.abs(x - 50), y]).toEqual([25, 50]);
  });
  test("around a point the wished direction comes first and every place clears the point", () => {
    const places = aroundPoint([100, 100], 40, 16, [1, 0]);
    expect(places[0]?.[0]).toBeCloseTo(130);
    for (const at of places) expect(Math.hypot(at[0] - 100, at[1] - 100)).toBeGreaterThan(8);
  });
});
