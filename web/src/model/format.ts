/** How a number reads on the page: true minus, same decimals for value and interval, "0.5 to 4.1". */

import type { Measure } from "../api/schema";

const MINUS = "\u2212";
const WAYS_OF_KNOWING: Partial<Record<Measure["kind"], string>> = {
  counted: "counted",
  by_definition: "by definition",
  by_family: "by family",
};

/** One value in words of digits. −0.04 with one decimal is 0.0, not −0.0. */
export function digits(value: number, decimals: number, signed = false): string {
  const text = Math.abs(value).toFixed(decimals);
  if (Number(text) === 0) return text;
  return (value < 0 ? MINUS : signed ? "+" : "") + text;
}

/** The value alone; null when there is none. */
export function valueWords(n: Measure): string | null {
  return n.value === null ? null : digits(n.value, n.decimals, n.signed);
}

/** The interval, or in words why there is none. */
export function intervalWords(n: Measure): string {
  if (n.low !== null && n.high !== null) return `${digits(n.low, n.decimals)} to ${digits(n.high, n.decimals)}`;
  // Measured, but its draws are not computed yet: a part is being moved.
  if (n.kind === "measured" && n.value !== null) return "interval follows";
  return WAYS_OF_KNOWING[n.kind] ?? "";
}

/** Unit as written in a table ("deg") or on a picture ("°"). */
export function unitWords(unit: string, where: "table" | "picture" = "table"): string {
  if (unit === "deg" || unit === "°") return where === "picture" ? "°" : "deg";
  return unit.replace(/^(mm|cm|m)([23])$/, (_, length: string, power: string) => length + (power === "2" ? "²" : "³"));
}

/** A reason where only a few words fit: never cut in the middle, rather said more plainly. */
export function briefReason(reason: string, longest: number): string {
  const first = reason.split(/[:;.,(]/)[0]?.trim() ?? "";
  return (first !== "" && first.length <= longest ? first : "no value").replace(/^./, (letter) => letter.toLowerCase());
}

/** Words with numbers in them: nothing is minus zero. */
export const plainZero = (words: string): string => words.replace(/[−+-](0(?:\.0+)?)(?![\d.])/g, "$1");

/** The whole number said aloud, for a screen reader and for titles. */
export function spoken(n: Measure): string {
  const value = valueWords(n);
  if (value === null) return [`${n.label}: no value.`, n.reason, n.note].filter(Boolean).join(" ");
  const unit = unitWords(n.unit);
  const between = n.low !== null && n.high !== null ? `, 95 % interval ${intervalWords(n)}` : `, ${intervalWords(n)}`;
  return `${n.label} ${value}${unit ? ` ${unit}` : ""}${between === ", " ? "" : between}${n.note === null ? "" : `. ${n.note}`}`;
}

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const DAYS = ["Sunday", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday"];

/** "9 Nov 2026" from "2026-11-09". Text in, text out: no time zone can shift a date of birth. */
export function dateWords(iso: string | null | undefined): string {
  const parts = /^(\d{4})-(\d{2})-(\d{2})/.exec(iso ?? "");
  if (!parts) return "";
  return `${Number(parts[3])} ${MONTHS[Number(parts[2]) - 1] ?? "?"} ${parts[1]}`;
}

/** "Wednesday 25 Nov 2026". */
export function weekdayWords(iso: string): string {
  const day = new Date(`${iso.slice(0, 10)}T12:00:00Z`).getUTCDay();
  return `${DAYS[day] ?? ""} ${dateWords(iso)}`;
}

/** "09:42" of a moment, in the reader's own time zone. */
export function clockWords(iso: string | null | undefined): string {
  const at = new Date(iso ?? "");
  if (Number.isNaN(at.getTime())) return "";
  return `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
}

export const sideWords = (side: "left" | "right"): string => (side === "left" ? "Left hip" : "Right hip");

export const viewWords: Record<"ap_pelvis" | "ap_hip" | "lateral_hip", string> = {
  ap_pelvis: "AP pelvis film",
  ap_hip: "AP hip film",
  lateral_hip: "lateral film",
};

export const levelWords: Record<"head_surface" | "mid_head" | "high_neck" | "low_neck", string> = {
  head_surface: "Head surface",
  mid_head: "Mid-head",
  high_neck: "High neck",
  low_neck: "Low neck",
};
