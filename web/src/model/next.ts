/** Where the button of a next step leads. */

import type { NextStep } from "../api/schema";

/** The next step as a button elsewhere, unless it leads to where we are. */
export function nextElsewhere(hip: string, next: NextStep | undefined, here: NextStep["page"]): { words: string; path: string } | null {
  if (!next || next.page === here || next.state === "none") return null;
  return { words: next.title, path: nextPath(hip, next) };
}

export function nextPath(hip: string, next: Pick<NextStep, "page"> & Partial<Pick<NextStep, "film_id" | "scan_id">>): string {
  const at = `/hip/${encodeURIComponent(hip)}`;
  switch (next.page) {
    case "film":
    case "reading":
      return next.film_id ? `${at}/${next.page}/${encodeURIComponent(next.film_id)}` : at;
    case "scan":
      return next.scan_id ? `${at}/scan/${encodeURIComponent(next.scan_id)}` : at;
    case "stock":
    case "comparison":
    case "placement":
    case "signature":
      return `${at}/${next.page}`;
    case "sheet":
      return `${at}/signature`;
    default:
      return at;
  }
}
