import { describe, expect, it } from "vitest";
import type { CutLevelOut, Measure } from "../../api/schema";
import { drawnLevel, firstSentences, withNumbers } from "./words";

const measure = (value: number, low: number, high: number, unit: string, decimals: number): Measure => ({ key: "k", label: "l", value, low, high, unit, decimals, signed: false, kind: "measured", reason: null, note: null, why: { title: "", sentence: "", rows: [] } });
const level = (name: CutLevelOut["level"], depth: number, drawn = true): CutLevelOut => ({ level: name, word: name, depth: measure(depth, depth, depth, "mm", 1), range_mm: [0, 80], lines: [], component: null, reason: null, drawing: drawn ? { frame: "neck", shapes: [] } : null });

describe("what the server says", () => {
  it("is shown in whole sentences, as many as fit, and never none", () => {
    const says = "Dead bone 14.0 cm³. Its rim is drawn twice. CT of 9 Nov 2026.";
    expect(firstSentences(says, 45)).toEqual({ words: "Dead bone 14.0 cm³. Its rim is drawn twice.", all: false });
    expect(firstSentences(says, 400)).toEqual({ words: says, all: true });
    expect(firstSentences(says, 3).words).toBe("Dead bone 14.0 cm³.");
  });

  it("has its numbers in their places, and none of its words is lost", () => {
    const volume = measure(13.97, 12.93, 15.02, "cm3", 1);
    const pieces = withNumbers("Dead bone 14.0 cm³ (12.9 to 15.0), of the head.", [volume]);
    expect(pieces).toEqual(["Dead bone ", volume, ", of the head."]);
    expect(withNumbers("Nothing of the kind.", [volume])).toEqual(["Nothing of the kind."]);
  });
});

describe("the part that is drawn", () => {
  const levels = [level("head_surface", 6), level("mid_head", 30), level("high_neck", 38), level("low_neck", 52)];
  it("is the chosen level's, else the first cut in sound bone", () => {
    expect(drawnLevel(levels, "head_surface", 33)).toBe("head_surface");
    expect(drawnLevel(levels, null, 33)).toBe("high_neck");
    expect(drawnLevel(levels, null, 90)).toBe("low_neck");
  });
  it("is none where nothing fits", () => expect(drawnLevel([level("mid_head", 30, false)], null, 20)).toBeNull());
});
