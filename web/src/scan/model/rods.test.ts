import { describe, expect, it } from "vitest";
import { rodDensities } from "./rods";

describe("densities of rods as typed", () => {
  it("may stand with spaces, semicolons or commas between, and with a decimal comma", () => {
    expect(rodDensities("0 0.05  0.2")).toEqual([0, 0.05, 0.2]);
    expect(rodDensities("0; 0,05;0,2")).toEqual([0, 0.05, 0.2]);
    expect(rodDensities("0.1, 0.2, 0.3")).toEqual([0.1, 0.2, 0.3]);
  });
  it("are refused as a whole when one is no number", () => expect(rodDensities("0.1 x")).toBeNull());
  it("are none where nothing is typed", () => expect(rodDensities("  ")).toEqual([]));
});
