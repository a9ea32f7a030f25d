/**
 * From the letter a reader sees, and where, to the direction of the columns.
 *
 * A film seen as if facing the patient has the patient's right on the left of
 * the picture: columns then grow toward the patient's left.
 */

import type { Side, SideLetterIn, View } from "../../api/schema";

export type Seen = SideLetterIn["seen"];
export type Half = "left half" | "right half";

/** Columns grow toward the patient's left? null when the answers do not say. */
export function columnsToLeft(seen: Seen, half: Half | null): boolean | null {
  if (half === null || seen === "none") return null;
  // With both letters the question is where the R stands.
  const letterIsRight = seen === "right" || seen === "both";
  return letterIsRight === (half === "left half");
}

/** A film of one hip: the pelvis lies toward the patient's middle. */
export function columnsToLeftByPelvis(side: Side, pelvisIn: Half): boolean {
  return (side === "right") === (pelvisIn === "right half");
}

/** What still has to be asked before the answer can be sent. */
export function wantsHalf(view: View | null, seen: Seen | null): "letter" | "pelvis" | null {
  if (seen === null || view === null || view === "lateral_hip") return null;
  if (view === "ap_hip") return "pelvis";
  return seen === "none" ? null : "letter";
}
