/** SVG path data from points. */

export type Point = readonly [number, number];

/** `M x y L x y …`, with two decimals: finer than a screen pixel, short enough to read. */
export function pathOf(points: readonly Point[], closed: boolean): string {
  if (points.length === 0) return "";
  const body = points.map(([x, y]) => `${short(x)} ${short(y)}`).join("L");
  return `M${body}${closed ? "Z" : ""}`;
}

/** The box around points: [left, top, right, bottom]; null without points. */
export function boxOf(points: readonly Point[]): readonly [number, number, number, number] | null {
  if (points.length === 0) return null;
  let [left, top, right, bottom] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const [x, y] of points) {
    left = Math.min(left, x);
    right = Math.max(right, x);
    top = Math.min(top, y);
    bottom = Math.max(bottom, y);
  }
  return [left, top, right, bottom];
}

function short(value: number): string {
  return String(Math.round(value * 100) / 100);
}
