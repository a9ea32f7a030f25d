import { describe, expect, test } from "vitest";
import { endWordsY, keptWords, wrapped } from "./words";

describe("words of the reserve's ends", () => {
  const [plan, bottom] = [300, 560];
  test("an end far from the plan has its words beside it", () => {
    expect(endWordsY(120, true, plan, 2, bottom)).toBe(120);
    expect(endWordsY(420, false, plan, 2, bottom)).toBe(420);
  });
  test("close to the plan they move away from its own word", () => {
    expect(endWordsY(290, true, plan, 4, bottom) + 34 + 45).toBeLessThan(plan - 8);
    expect(endWordsY(305, false, plan, 4, bottom) - 16).toBeGreaterThan(plan + 8);
  });
  test("and they never leave the picture", () => {
    expect(endWordsY(550, false, plan, 3, bottom) + 34 + 30).toBeLessThanOrEqual(bottom);
    expect(endWordsY(2, true, plan, 1, bottom)).toBeGreaterThanOrEqual(16);
  });
});

describe("what the nameplate says of a reading", () => {
  test("a reader who has not said who they are is not named", () => {
    expect(keptWords({ name: "kept" }, null, "reader not named", null, "Reading").detail).toBe("");
    expect(keptWords({ name: "kept" }, null, "Dr A", null, "Reading").detail).toBe("by Dr A");
  });
});

test("a word is never broken", () => expect(wrapped("the seat loses sound bone", 10)).toEqual(["the seat", "loses", "sound bone"]));
