/** What stands between a plan and its signature. The server decides; this only says what is still empty. */

import type { Check, SignaturePage } from "../api/schema";

export interface Typed {
  signer: string;
  side: string;
  /** ISO date, null while empty or wrong. */
  on: string | null;
  reasons: Readonly<Record<string, string>>;
}

/** The first thing still missing, as the closed button says it; null when it can be sent. */
export function missingToSign(page: Pick<SignaturePage, "can_sign" | "overrides">, typed: Typed): string | null {
  if (!page.can_sign) return "Sign: closed until every check passes";
  const open = page.overrides.find((wanted) => (typed.reasons[wanted.key] ?? "").trim() === "");
  if (open) return "Sign: closed until each limit not met has a reason";
  if (typed.on === null) return "Sign: closed until the day of the operation is given";
  if (typed.side.trim() === "") return "Sign: closed until the side is typed";
  if (typed.signer.trim() === "") return "Sign: closed until a name is given";
  return null;
}

/** Checks that stop, the wrong side before all others. */
export function stoppedBy(checks: readonly Check[]): Check[] {
  const failed = checks.filter((check) => !check.passed);
  return [...failed.filter(isSide), ...failed.filter((check) => !isSide(check))];
}

export const isSide = (check: Check): boolean => /wrong.side/.test(check.guard);

/**
 * A refusal is written as found, why, what to do: its first sentence is the finding,
 * the rest stands below it. A check whose title is a sentence brings its own finding.
 */
export function findingOf(check: Pick<Check, "title" | "says">): { finding: string; rest: string } {
  if (/[.!?]$/.test(check.title)) return { finding: check.title, rest: check.says };
  const first = /^.*?[.!?](?=\s+[A-Z“]|$)/s.exec(check.says)?.[0] ?? check.says;
  return { finding: first || check.title, rest: check.says.slice(first.length).trim() };
}

/** "High neck: Standard stem, size 4", but "Mid-head bowl, size 4": a level is not said twice. */
export const levelAndFamily = (level: string, family: string): string =>
  family.toLowerCase().replace(/-/g, " ").startsWith(level.toLowerCase().replace(/-/g, " ")) ? family : `${level}: ${family}`;

/** "wrong side" → the words over the finding. */
export function stopWords(check: Check): string {
  if (isSide(check)) return "Stopped: the side does not agree";
  if (/placement.kept/.test(check.guard)) return "Stopped: placement not kept yet";
  if (/number.shown/.test(check.guard)) return "Stopped: a number without its interval";
  return `Stopped: ${check.guard.replaceAll("_", " ")}`;
}
