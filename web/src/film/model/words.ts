/** Words: what the nameplate says about work being kept, and words broken into lines for a picture. */

import { clockWords } from "../../model/format";
import { NOBODY } from "../../model/reader";
import type { KeeperState } from "./keeper";

export interface PlateWords {
  title: string;
  detail: string;
  kind?: "late" | "stopped";
}

export function keptWords(kept: KeeperState, error: Error | null, by: string, savedAt: string | null, what: "Reading" | "Placement"): PlateWords {
  const reader = by === NOBODY ? "" : by;
  if (kept.name === "stopped") return { title: `${what} not kept`, detail: "someone kept a later step; choose below", kind: "stopped" };
  if (kept.name === "retrying" || error) {
    const waiting = kept.name === "retrying" && kept.waiting > 0 ? `${kept.waiting} ${kept.waiting === 1 ? "step waits" : "steps wait"} here` : "nothing is lost";
    return { title: "The server does not answer", detail: `${waiting}; trying again`, kind: "late" };
  }
  if (kept.name === "keeping") return { title: "Keeping", detail: reader ? `by ${reader}` : "" };
  const when = clockWords(savedAt);
  return { title: `${what} kept at every step`, detail: [reader ? `by ${reader}` : "", when].filter(Boolean).join(", ") };
}

/** Words broken into lines of at most `width` letters; a word is never broken. */
export function wrapped(words: string, width: number): string[] {
  const lines: string[] = [];
  for (const word of words.split(" ")) {
    const last = lines.at(-1);
    if (last !== undefined && `${last} ${word}`.length <= width) lines[lines.length - 1] = `${last} ${word}`;
    else lines.push(word);
  }
  return lines;
}

/** Ascent over the first baseline, and depth of the block below it for its first line of words, CSS px. */
const RISE_PX = 16;
const DEPTH_PX = 34;
const LINE_PX = 15;
/** Room that the word at the plan takes on either side of it. */
const PLAN_PX = 11;

/** Where the words of an end begin: at the end, but clear of the plan's own word and inside the picture. */
export function endWordsY(y: number, up: boolean, plan: number, lines: number, bottom: number): number {
  const depth = DEPTH_PX + LINE_PX * (Math.max(1, lines) - 1);
  if (up) return Math.max(RISE_PX, Math.min(y, plan - PLAN_PX - depth));
  return Math.min(Math.max(y, plan + PLAN_PX + RISE_PX), bottom - depth);
}
