/** Which of a placement's numbers are shown large, at once, and one press below. Order only. */

import type { Line } from "../../api/schema";

/** The two that are shown large: what remains between the sides. */
const LARGE = ["leg_length_remaining_mm", "offset_remaining_mm"] as const;

export function largeLines(lines: readonly Line[]): readonly Line[] {
  return LARGE.flatMap((key) => lines.find((line) => line.number.key === key) ?? []);
}

/** In the order in which they decide: what stays, what the seat stands on, how it lies, the cup, the motion, what is left for later. */
const IMPORTANCE: readonly string[] = [
  "head_kept_percent",
  "lesion_left_percent",
  "seat_on_sound_bone_percent",
  "least_wall_mm",
  "notch_distance_mm",
  "valgus_to_neck_deg",
  "anterior_to_neck_deg",
  "head_neck_ratio",
  "cup_cover_percent",
  "flexion_deg",
  "internal_at_90_flexion_deg",
  "levels_left_for_revision",
];

/** Groups in the order of the decision, for what lies one press below. */
const GROUPS: readonly string[] = ["Bone", "Seat", "Alignment", "Head", "Cup", "Leg", "Motion", "Later"];

/** Lines shown at once in `room` rows, and lines one press below. A number outside its limit is never one press below. */
export function split(lines: readonly Line[], room = IMPORTANCE.length): { first: readonly Line[]; more: readonly Line[] } {
  const large = largeLines(lines);
  const rest = lines.filter((line) => !large.includes(line) && line.number.key !== "reserve_mm");
  const outside = rest.filter((line) => line.limit?.state === "outside");
  const known = IMPORTANCE.flatMap((key) => rest.find((line) => line.number.key === key && !outside.includes(line)) ?? []);
  // Where room is short, a number near its limit goes before one that has none.
  const others = [...known.filter((line) => line.limit?.state === "near"), ...known.filter((line) => line.limit?.state !== "near")];
  const shown = new Set([...outside, ...others.slice(0, Math.max(0, room - outside.length))]);
  const rank = (line: Line): number => (IMPORTANCE.indexOf(line.number.key) + IMPORTANCE.length + 1) % (IMPORTANCE.length + 1);
  const group = (line: Line): number => GROUPS.indexOf(line.group);
  return {
    first: [...shown].sort((a, b) => rank(a) - rank(b)),
    more: rest.filter((line) => !shown.has(line)).sort((a, b) => group(a) - group(b)),
  };
}
