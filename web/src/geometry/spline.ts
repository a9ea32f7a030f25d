/** A smooth curve through points: centripetal enough for an outline drawn by hand, as SVG path data. */

import type { Point } from "./path";

/** Catmull–Rom through every point, written as cubic Béziers. */
export function smooth(points: readonly Point[], closed = false): string {
  const count = points.length;
  if (count < 2) return "";
  const get = (i: number): Point => points[closed ? (i + count) % count : Math.max(0, Math.min(count - 1, i))] ?? [0, 0];
  const out = [`M${xy(get(0))}`];
  for (let i = 0; i < (closed ? count : count - 1); i++) {
    const [a, b, c, d] = [get(i - 1), get(i), get(i + 1), get(i + 2)];
    const first: Point = [b[0] + (c[0] - a[0]) / 6, b[1] + (c[1] - a[1]) / 6];
    const second: Point = [c[0] - (d[0] - b[0]) / 6, c[1] - (d[1] - b[1]) / 6];
    out.push(`C${xy(first)} ${xy(second)} ${xy(c)}`);
  }
  return out.join("") + (closed ? "Z" : "");
}

function xy([x, y]: Point): string {
  return `${Math.round(x * 100) / 100} ${Math.round(y * 100) / 100}`;
}
