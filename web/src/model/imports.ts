/** What happened to dropped files, in words and in a useful order. */

import type { ImportLine } from "../api/schema";

export const outcomeWords: Record<ImportLine["outcome"], string> = {
  imported: "imported",
  already_here: "already here",
  set_aside: "set aside",
  refused: "refused",
};

const ORDER: readonly ImportLine["outcome"][] = ["refused", "set_aside", "imported", "already_here"];

/** What wants a person's eye first; inside one outcome, as dropped. */
export function importOrder(lines: readonly ImportLine[]): ImportLine[] {
  return ORDER.flatMap((outcome) => lines.filter((line) => line.outcome === outcome));
}
