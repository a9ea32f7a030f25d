import { describe, expect, it } from "vitest";
import type { Appraisal, Line, LimitMark, Measure, MovedAnswer } from "../../api/schema";
import { intervalWords } from "../../model/format";
import { FOLLOWS, withMoved } from "./hand";

const number = (key: string, more: Partial<Measure> = {}): Measure => ({ key, label: key, value: 1, low: 0.5, high: 1.5, unit: "mm", decimals: 1, signed: false, kind: "measured", reason: null, note: null, why: { sentence: "", rows: [] }, ...more }) as Measure;
const mark = (state: LimitMark["state"]): LimitMark => ({ state, low: 2, high: null, words: "at least 2 mm", source: "s", status: "local", edited_by: null }) as LimitMark;
const line = (key: string, more: Partial<Line> = {}, own: Partial<Measure> = {}): Line => ({ group: "Seat", number: number(key, own), limit: null, text: null, detail: "medial side", ...more });
const before = {
  lines: [
    line("least_wall_mm", { limit: mark("near") }),
    line("head_diameter_mm", {}, { kind: "by_family", low: null, high: null }),
    line("canal", { text: "closed" }),
    line("notch_distance_mm", {}, { value: null, low: null, high: null, kind: "missing", reason: "Does not apply." }),
    line("next_cut_sound_percent"),
  ],
  binding: "old",
} as unknown as Appraisal;
const answer = { placement: { level: "mid_head" }, binding: "The nearest limit is wall.", space: { component: "a/1" }, ms: 9, values: [{ key: "least_wall_mm", value: 3.25, state: "within" }, { key: "notch_distance_mm", value: 4, state: null }] } as unknown as MovedAnswer;

describe("an appraisal under the hand", () => {
  const after = withMoved(before, answer);
  const at = (key: string): Line => after.lines.find((one) => one.number.key === key) as Line;

  it("takes the new value and state, without the interval and the place of the old one", () => {
    expect(at("least_wall_mm").number).toMatchObject({ value: 3.25, low: null, high: null });
    expect(at("least_wall_mm").limit?.state).toBe("within");
    expect(at("least_wall_mm").detail).toBeNull();
    expect(intervalWords(at("least_wall_mm").number)).toBe("interval follows");
  });
  it("leaves what a family fixes, words, and what this part cannot have", () => {
    for (const key of ["head_diameter_mm", "canal", "notch_distance_mm"]) expect(at(key)).toEqual(before.lines.find((one) => one.number.key === key));
  });
  it("never shows an old value as if it were of the new place", () => {
    expect(at("next_cut_sound_percent").number).toMatchObject({ value: null, kind: "missing", reason: FOLLOWS });
  });
  it("says which limit binds now", () => expect(after.binding).toBe("The nearest limit is wall."));
});
