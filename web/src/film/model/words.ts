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
