import { describe, expect, test } from "vitest";
import { keeperKey, keyOf, steps, stepsStand, worstOf } from "./steps";

describe("steps that wait, whichever page is open", () => {
  test("a name in the browser's store says whose steps they are, and nothing else does", () => {
    const reading = { of: "reading", hip: "7695355241204f3c", film: "b8186b2a02554faf" } as const;
    expect(keeperKey(keyOf(reading))).toEqual(reading);
    expect(keeperKey(keyOf({ of: "placement", hip: "h1" }))).toEqual({ of: "placement", hip: "h1" });
    expect(keeperKey(keyOf({ of: "outlines", hip: "h1", scan: "s1" }))).toEqual({ of: "outlines", hip: "h1", scan: "s1" });
    for (const other of ["headstock.unsaved", "headstock.steps.reading.h1", "headstock.steps.placement.h1.f1", "headstock.steps.outlines.h1", "headstock.steps.scan.h1.s1"]) expect(keeperKey(other)).toBeNull();
  });
  test("the one that needs someone is told, with all that wait; nothing when all is kept", () => {
    stepsStand("a", { name: "keeping", waiting: 1 });
    stepsStand("b", { name: "retrying", waiting: 3 });
    expect(worstOf(steps.get())).toEqual({ name: "retrying", waiting: 4 });
    stepsStand("c", { name: "stopped", waiting: 1 });
    expect(worstOf(steps.get())).toEqual({ name: "stopped", waiting: 5 });
    for (const key of ["a", "b", "c"]) stepsStand(key, { name: "kept" });
    expect(worstOf(steps.get())).toBeNull();
  });
});
