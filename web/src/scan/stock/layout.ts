/** Where the parts of the stock picture stand: one depth rule for the drawing, three charts and four flags. Places only. */

import type { StockRow } from "../../api/schema";
import { niceStep, ruler, type Ruler } from "../../geometry/ruler";
import { spread } from "../../geometry/spread";

export interface Chart {
  readonly at: Ruler;
  readonly ticks: readonly number[];
}

export interface StockLayout {
  readonly depth: Ruler;
  /** Pixels a mm, down and across alike. */
  readonly scale: number;
  readonly picture: { readonly left: number; readonly right: number; readonly axis: number };
  readonly section: Chart;
  readonly density: Chart;
  readonly wall: Chart;
  readonly flags: { readonly left: number; readonly width: number };
  readonly narrow: boolean;
  readonly top: number;
  readonly bottom: number;
}

/** Left of the picture stands the rule. */
const RULE_X = 74;
const EDGE = 24;
/** From the charts to the flags: the cuts bend here. */
const BEND = 34;
const FLAGS = { wide: 346, narrow: 366 };
/** Shares of the room between rule and flags, pictures and gaps in turn. */
const SHARES = [0.5, 0.028, 0.22, 0.042, 0.092, 0.033, 0.085] as const;

/** Least and most depth shown, mm below the top of the head. */
export function depthsOf(rows: readonly StockRow[]): { from: number; to: number } {
  const last = rows.at(-1)?.depth_mm ?? 60;
  return { from: Math.min(-3, (rows[0]?.depth_mm ?? 0) - 1), to: Math.max(40, Math.min(90, last + 1)) };
}

export function stockLayout(rows: readonly StockRow[], size: { width: number; height: number }, room: { top: number; bottom: number }): StockLayout {
  const narrow = size.width < 1339;
  const flagWidth = narrow ? FLAGS.narrow : FLAGS.wide;
  const flagLeft = size.width - EDGE - flagWidth;
  const free = flagLeft - BEND - RULE_X - 8;
  const edges: number[] = [RULE_X + 8];
  for (const share of SHARES) edges.push((edges.at(-1) ?? 0) + share * free);
  const edge = (i: number): number => Math.round(edges[i] ?? 0);
  const [top, bottom] = [room.top, size.height - room.bottom];
  const { from, to } = depthsOf(rows);
  const depth = ruler(from, to, top, Math.max(top + 40, bottom));
  const scale = depth.at(1) - depth.at(0);
  const most = (value: (row: StockRow) => number | null | undefined, least: number): number => rows.reduce((top, row) => Math.max(top, value(row) ?? 0), least);
  const [left, right] = [edge(0), edge(1)];
  return {
    depth,
    scale,
    picture: { left, right, axis: Math.round((left + right) / 2) },
    section: chart(most((row) => row.section_mm2[0], 400), edge(2), edge(3), 66),
    density: chart(most((row) => row.density?.[2], 0.1), edge(4), edge(5), 40),
    wall: chart(most((row) => row.wall_mm?.[2], 2), edge(6), edge(7), 34),
    flags: { left: flagLeft, width: flagWidth },
    narrow,
    top,
    bottom,
  };
}

/** From a real zero to a round number above the largest. */
function chart(most: number, left: number, right: number, room: number): Chart {
  const step = niceStep(most, right - left, room);
  const count = Math.max(1, Math.ceil(most / step - 1e-9));
  return { at: ruler(0, count * step, left, right), ticks: Array.from({ length: count + 1 }, (_, i) => i * step) };
}

/** Tops of the flags: each beside its cut, none over another, all inside. */
export function flagTops(cuts: readonly number[], height: number, gap: number, from: number, to: number): number[] {
  return spread(cuts, height + gap, from + height / 2, to - height / 2).map((middle) => middle - height / 2);
}

/** Radius of the circle with this area: the same bone, turned. */
export const turnedRadius = (area_mm2: number): number => Math.sqrt(Math.max(0, area_mm2) / Math.PI);

/** A depth held in its range and on the half-millimetre. */
export const heldDepth = (depth_mm: number, range: readonly [number, number]): number => Math.min(range[1], Math.max(range[0], Math.round(depth_mm * 2) / 2));
