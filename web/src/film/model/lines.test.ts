import { describe, expect, test } from "vitest";
import type { LimitMark, Line } from "../../api/schema";
import { split } from "./lines";

const line = (key: string, state: LimitMark["state"] | null = null, group = "Bone"): Line => ({
  group,
  number: { key, label: key, value: 1, low: 0, high: 2, unit: "mm", decimals: 1, signed: false, kind: "measured", reason: null, note: null, why: { title: "", sentence: "", rows: [] } },
  limit: state === null ? null : { state, low: 0, high: null, words: "at least 0", source: "", status: "published", edited_by: null },
  text: null,
  detail: null,
});
const keys = (lines: readonly Line[]): string[] => lines.map(({ number }) => number.key);

describe("numbers shown at once", () => {
  const lines = [line("leg_length_remaining_mm", "outside"), line("flexion_deg", "near", "Motion"), line("abduction_deg", "outside", "Motion"), line("head_kept_percent"), line("lesion_left_percent"), line("seat_on_sound_bone_percent", "within", "Seat")];
  test("in the order of the decision; the large two stand elsewhere", () => {
    expect(keys(split(lines).first)).toEqual(["head_kept_percent", "lesion_left_percent", "seat_on_sound_bone_percent", "flexion_deg", "abduction_deg"]);
  });
  test("where room is short, outside and near stay, and nothing is lost", () => {
    const { first, more } = split(lines, 3);
    expect(keys(first)).toEqual(["head_kept_percent", "flexion_deg", "abduction_deg"]);
    expect(keys(more).sort()).toEqual(["lesion_left_percent", "seat_on_sound_bone_percent"]);
  });
  test("a number outside its limit is shown even when there is no room", () => expect(keys(split(lines, 0).first)).toEqual(["abduction_deg"]));
});
