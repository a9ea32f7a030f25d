/** The comparison as a table: rows in the server's order, one cell a level. Order and lookup only. */

import { intervalWords, unitWords, valueWords } from "./format";
import type { Appraisal, Comparison, Level, Line } from "../api/schema";

export const LEVELS: readonly Level[] = ["head_surface", "mid_head", "high_neck", "low_neck"];

export interface TableRow {
  key: string;
  group: string;
  /** The group's name stands only on its first row. */
  first: boolean;
  label: string;
  unit: string;
  /** The limit in words, when every level has the same one. */
  limit: string;
  cells: (Line | null)[];
}

const PARTS: ReadonlySet<string> = new Set(["component", "cup"]);

/** Levels in their order from most to least bone kept, whatever order they came in. */
export function inOrder(levels: readonly Appraisal[]): Appraisal[] {
  return LEVELS.flatMap((level) => levels.filter((one) => one.placement.level === level));
}

export function tableRows(comparison: Pick<Comparison, "rows" | "levels">): TableRow[] {
  const levels = inOrder(comparison.levels);
  const rows: TableRow[] = [];
  for (const key of comparison.rows) {
    const cells = levels.map((level) => level.lines.find((line) => line.number.key === key) ?? null);
    const any = cells.find((cell): cell is Line => cell !== null);
    if (!any) continue;
    const limits = new Set(cells.flatMap((cell) => (cell?.limit && cell.limit.status !== "unset" ? [cell.limit.words] : [])));
    const [only] = limits;
    rows.push({
      key,
      group: any.group,
      first: rows.at(-1)?.group !== any.group,
      label: any.number.label,
      unit: unitWords(any.number.unit),
      limit: limits.size === 1 ? shortLimit(only ?? "", unitWords(any.number.unit)) : limits.size > 1 ? "by level" : "",
      cells,
    });
  }
  return rows;
}

/** The unit stands beside the row's name already. */
export function shortLimit(words: string, unit: string): string {
  const bare = unit !== "" && words.endsWith(unit) ? words.slice(0, -unit.length).trimEnd() : words;
  const both = /^−([\d.]+) to \1$/.exec(bare);
  return both ? `± ${both[1]}` : bare.replace(/^at least /, "≥ ").replace(/^at most /, "≤ ");
}

/** Depth of the cut below the top of the head, mm, as drawn; null when no cut is drawn. */
export function cutDepth(level: Appraisal): number | null {
  const cut = level.drawing_neck.shapes.find((shape) => shape.role === "cut");
  if (!cut || cut.points.length === 0) return null;
  return cut.points.reduce((sum, point) => sum + point[1], 0) / cut.points.length;
}

/**
 * Depths that all pictures show, so that they form one staircase: from above the head to
 * below the lowest cut, far enough to see what each component does there.
 */
export function depthsShown(levels: readonly Appraisal[]): { from: number; to: number } {
  const cuts = levels.flatMap((level) => cutDepth(level) ?? []);
  const tops = levels.flatMap((level) => level.drawing_neck.shapes.filter((shape) => PARTS.has(shape.role)).flatMap((shape) => shape.points.map((point) => point[1])));
  // A part may stand above the head; a cup far above it is not what the picture is for.
  const top = tops.reduce((least, depth) => Math.min(least, depth), -5);
  return { from: Math.max(-18, top - 2), to: Math.max(66, ...cuts.map((cut) => cut + 18)) };
}

/** The cut's line drawn on to `left` and `right` mm beside the neck axis; it may be tilted. */
export function cutLine(level: Appraisal, left: number, right: number): readonly [readonly [number, number], readonly [number, number]] | null {
  const cut = level.drawing_neck.shapes.find((shape) => shape.role === "cut");
  const [a, b] = [cut?.points[0], cut?.points.at(-1)];
  if (!a || !b || Math.abs(b[0] - a[0]) < 1e-6) return null;
  const slope = (b[1] - a[1]) / (b[0] - a[0]);
  return [
    [left, a[1] + (left - a[0]) * slope],
    [right, a[1] + (right - a[0]) * slope],
  ];
}

/** Depth at which a label of `width` mm, ending at the right end of the cut's line, clears it from below. */
export function labelDepth(line: readonly [readonly [number, number], readonly [number, number]], width: number): number {
  const [a, b] = line;
  const slope = (b[1] - a[1]) / (b[0] - a[0]);
  return Math.max(b[1], b[1] - slope * width);
}

/**
 * Which rows stand in the table when only `room` of them fit. Rows without a limit go first, those that say the
 * same at every level before the others; a row with a limit is never folded. One line is kept for saying so.
 */
export function foldRows(rows: readonly TableRow[], room: number): { shown: TableRow[]; folded: number } {
  if (rows.length <= room) return { shown: [...rows], folded: 0 };
  const order = [...rows.filter((row) => !hasLimit(row) && saysTheSame(row)), ...SPARED.flatMap((key) => rows.filter((row) => row.key === key && !hasLimit(row)))];
  const gone = new Set<TableRow>();
  for (const row of order) {
    if (rows.length - gone.size <= room - 1) break;
    gone.add(row);
  }
  return { shown: regrouped(rows.filter((row) => !gone.has(row))), folded: gone.size };
}

/** Rows that a low window can spare, least missed first: another row says nearly the same, or it is looked up later. */
const SPARED = ["lesion_left_cm3", "levels_left_for_revision", "cup_cover_percent", "head_neck_ratio", "canal", "internal_at_90_flexion_deg", "reserve_mm"];

const hasLimit = (row: TableRow): boolean => row.cells.some((line) => line?.limit != null && line.limit.state !== "none" && line.limit.status !== "unset");

const saysTheSame = (row: TableRow): boolean => new Set(row.cells.map((line) => (line ? (line.text ?? `${valueWords(line.number)} ${intervalWords(line.number)}`) : ""))).size === 1;

const regrouped = (rows: readonly TableRow[]): TableRow[] => rows.map((row, i) => ({ ...row, first: rows[i - 1]?.group !== row.group }));

const LONGEST_TOPIC = 96;

/** The words of a caution before its explanation: what it is about. */
export function cautionTopic(text: string): string {
  const topic = /^[^:.;(]{4,}(?=[:.;(]|$)/.exec(text)?.[0].trim() ?? text;
  if (topic.length <= LONGEST_TOPIC) return topic;
  const whole = topic.slice(0, LONGEST_TOPIC - 1).replace(/\s+\S*$/, "");
  return `${whole} …`;
}

/** A short tag of a placement, for the address of a picture of it: other placement, other address (FNV-1a, 32 bit). */
export function placeTag(placement: Appraisal["placement"]): string {
  let tag = 0x811c9dc5;
  for (const letter of JSON.stringify(placement)) tag = Math.imul(tag ^ (letter.codePointAt(0) ?? 0), 0x01000193);
  return (tag >>> 0).toString(16);
}
