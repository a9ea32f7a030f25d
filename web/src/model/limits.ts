/** What a limit is called and how well it is known, in words. */

import type { LimitMark, LimitRow, LimitState } from "../api/schema";

export const stateWords: Record<LimitState, string> = {
  within: "within",
  near: "near",
  outside: "outside",
  not_known: "not known",
  none: "no limit set",
};

const STATUS: Record<LimitMark["status"], string> = {
  published: "published",
  common_practice: "common practice",
  from_memory: "from memory, to be checked",
  local: "set here",
  unset: "unset: the hospital decides",
};

/** "published, Author 2015; edited by Dr A" */
export function limitStatus(limit: Pick<LimitMark & LimitRow, "status"> & { source: string; year?: number | null; edited_by: string | null }): string {
  if (limit.status !== "unset" && repeats(limit.source)) return limit.source + (limit.edited_by ? `; set by ${limit.edited_by}` : "");
  const year = limit.year && !limit.source.includes(String(limit.year)) ? ` ${limit.year}` : "";
  const named = limit.source || (limit.status === "common_practice" ? "no source" : "");
  const source = named && limit.status !== "unset" ? `, ${named}${year}` : "";
  return `${STATUS[limit.status]}${source}${limit.edited_by ? `; set by ${limit.edited_by}` : ""}`;
}

/** "3 outside · 1 not known · 2 within", worst first, nothing that is zero. */
export function countWords(counts: Readonly<Record<string, number>>): { state: LimitState; words: string }[] {
  const order: LimitState[] = ["outside", "near", "not_known", "within"];
  return order.flatMap((state) => {
    const count = counts[state] ?? 0;
    return count > 0 ? [{ state, words: `${count} ${stateWords[state]}` }] : [];
  });
}

/** The source of a caution, with how well it is known where its words do not say so. */
export function cautionSource(caution: { source: string; status: LimitMark["status"] }): string {
  const status = STATUS[caution.status];
  if (caution.status === "published") return caution.source || status;
  if (repeats(caution.source)) return caution.source;
  return caution.status === "common_practice" ? `${status}, ${caution.source || "no source"}` : [caution.source, status].filter(Boolean).join(", ");
}

/** The source's own words already say how well it is known. */
const repeats = (source: string): boolean => /memory|common practice/i.test(source);
