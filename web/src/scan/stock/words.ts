/** Words of the stock profile: short labels, and as much of what the server says as two lines hold. No DOM. */

import type { CutLevelOut, Level, Measure } from "../../api/schema";
import { digits, unitWords } from "../../model/format";

/** Short labels of a flag's lines, where the full label has no room; the why slip has the whole. */
const SHORT: Readonly<Record<string, string>> = {
  section_sound_percent: "section sound",
  seat_on_sound_bone_percent: "seat on sound",
  least_wall_mm: "least wall",
  head_kept_percent: "head kept",
};

export const shortLabel = (n: Pick<Measure, "key" | "label">): string => SHORT[n.key] ?? n.label;

/** Whole sentences from the first on, at most so many letters; `all` when none is left out. */
export function firstSentences(says: string, letters: number): { words: string; all: boolean } {
  const sentences = says.split(/(?<=[.!?])\s+(?=\p{Lu})/u);
  let words = sentences[0] ?? "";
  let count = 1;
  while (count < sentences.length && words.length + 1 + (sentences[count] ?? "").length <= letters) words += ` ${sentences[count++]}`;
  return { words, all: count === sentences.length };
}

/** A sentence in pieces, the numbers that it says in their places: "14.0 cm³ (12.9 to 15.0)" becomes the number itself. */
export function withNumbers(words: string, numbers: readonly Measure[]): (string | Measure)[] {
  let pieces: (string | Measure)[] = [words];
  for (const n of numbers) {
    if (n.value === null || n.low === null || n.high === null) continue;
    const said = `${digits(n.value, n.decimals, n.signed)} ${unitWords(n.unit)} (${digits(n.low, n.decimals)} to ${digits(n.high, n.decimals)})`;
    pieces = pieces.flatMap((piece) => {
      if (typeof piece !== "string") return [piece];
      const at = piece.indexOf(said);
      if (at < 0) return [piece];
      return [piece.slice(0, at), n, piece.slice(at + said.length)].filter((one) => one !== "");
    });
  }
  return pieces;
}

/**
 * The level whose part is drawn: the chosen one; before a choice the first whose cut lies in sound bone, or the last that has a part.
 * Only the drawing needs it: it chooses nothing.
 */
export function drawnLevel(levels: readonly CutLevelOut[], chosen: Level | null, soundFrom_mm: number | null): Level | null {
  if (chosen !== null) return chosen;
  const placed = levels.filter((level) => level.drawing !== null && level.depth.value !== null);
  return (placed.find((level) => (level.depth.value ?? 0) >= (soundFrom_mm ?? 0)) ?? placed.at(-1))?.level ?? null;
}
