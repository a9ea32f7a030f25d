/** A life on a ruler of years: where marks stand and how far the line is lived. Calendar only, no medicine. */

import type { LifeMark } from "../api/schema";

/** 2026.5 for the middle of 2026. */
export function yearOf(iso: string): number {
  const parts = /^(\d{4})-(\d{2})-(\d{2})/.exec(iso);
  if (!parts) return NaN;
  const year = Number(parts[1]);
  const start = Date.UTC(year, 0, 1);
  return year + (Date.UTC(year, Number(parts[2]) - 1, Number(parts[3])) - start) / (Date.UTC(year + 1, 0, 1) - start);
}

/**
 * Whole years to show for many lines on one ruler: every mark, a past of at least
 * `before` years, a future of at least `after`.
 */
export function yearsToShow(marks: readonly LifeMark[], today: string, before = 4, after = 4): { from: number; to: number } {
  const now = yearOf(today);
  const years = marks.map((mark) => yearOf(mark.on)).filter((year) => !Number.isNaN(year));
  return {
    from: Math.floor(Math.min(now - before, ...years)),
    to: Math.ceil(Math.max(now + after, ...years.map((year) => year + 0.25))),
  };
}

/** First mark on the line, or today for a hip with none. */
export function beginning(marks: readonly LifeMark[], today: string): number {
  return Math.min(yearOf(today), ...marks.map((mark) => yearOf(mark.on)));
}

export const markWords: Record<LifeMark["kind"], string> = {
  seen: "seen",
  film_not_read: "film not read",
  read: "film read",
  compared: "levels compared",
  planned: "planned",
  signed: "plan signed",
  operated: "operated",
  due: "due",
  event: "event",
};

/** Kinds in the order of the legend. */
export const MARK_ORDER: readonly LifeMark["kind"][] = ["seen", "read", "film_not_read", "compared", "planned", "signed", "operated", "due", "event"];
