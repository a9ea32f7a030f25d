/** Hit-testing and editing of circles, arcs and polygons on the film. Pixels in, pixels out. */

import { distance, type ImageCircle, type ImagePoint, imagePoint } from "./types";

/** Distance from a point to a segment, and where on the segment. */
export function toSegment(
  p: readonly [number, number],
  a: readonly [number, number],
  b: readonly [number, number],
): { readonly distance: number; readonly share: number } {
  const dx = b[0] - a[0];
  const dy = b[1] - a[1];
  const length2 = dx * dx + dy * dy;
  const raw = length2 === 0 ? 0 : ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length2;
  const share = Math.min(1, Math.max(0, raw));
  return { distance: distance(p, [a[0] + share * dx, a[1] + share * dy]), share };
}

/** Index of the closed polygon's edge (i to i + 1) nearest a point, or −1 for fewer than two corners. */
export function nearestEdge(polygon: readonly (readonly [number, number])[], p: readonly [number, number]) {
  let best = { index: -1, distance: Infinity };
  if (polygon.length < 2) return best;
  polygon.forEach((a, index) => {
    const b = polygon[(index + 1) % polygon.length] ?? a;
    const found = toSegment(p, a, b).distance;
    if (found < best.distance) best = { index, distance: found };
  });
  return best;
}

export function nearestCorner(polygon: readonly (readonly [number, number])[], p: readonly [number, number]) {
  let best = { index: -1, distance: Infinity };
  polygon.forEach((corner, index) => {
    const found = distance(corner, p);
    if (found < best.distance) best = { index, distance: found };
  });
  return best;
}

export function contains(polygon: readonly (readonly [number, number])[], p: readonly [number, number]): boolean {
  let inside = false;
  for (let i = 0, j = polygon.length - 1; i < polygon.length; j = i++) {
    const a = polygon[i];
    const b = polygon[j];
    if (!a || !b) continue;
    if (a[1] > p[1] !== b[1] > p[1] && p[0] < ((b[0] - a[0]) * (p[1] - a[1])) / (b[1] - a[1]) + a[0]) inside = !inside;
  }
  return inside;
}

export const insertCorner = (polygon: readonly ImagePoint[], after: number, at: ImagePoint): ImagePoint[] => [
  ...polygon.slice(0, after + 1),
  at,
  ...polygon.slice(after + 1),
];

export const moveCorner = (polygon: readonly ImagePoint[], index: number, to: ImagePoint): ImagePoint[] =>
  polygon.map((corner, i) => (i === index ? to : corner));

export const removeCorner = (polygon: readonly ImagePoint[], index: number): ImagePoint[] =>
  polygon.filter((_, i) => i !== index);

/**
 * A point on a circle at an angle counter-clockwise from the picture's right.
 * Circles are round in the patient, so rows are divided by `rowFactor`.
 */
export function onCircle(circle: ImageCircle, angleDeg: number, rowFactor: number): ImagePoint {
  const a = (angleDeg * Math.PI) / 180;
  return imagePoint(circle[0] + circle[2] * Math.cos(a), circle[1] - (circle[2] * Math.sin(a)) / rowFactor);
}

/** An arc as points, `from` to `to` counter-clockwise, one every `stepDeg` at most. */
export function arcPoints(
  circle: ImageCircle,
  fromDeg: number,
  toDeg: number,
  rowFactor: number,
  stepDeg = 3,
): ImagePoint[] {
  const sweep = sweepDeg(fromDeg, toDeg);
  const steps = Math.max(2, Math.ceil(sweep / stepDeg));
  return Array.from({ length: steps + 1 }, (_, i) => onCircle(circle, fromDeg + (sweep * i) / steps, rowFactor));
}

/** Counter-clockwise degrees from one angle to another, in (0, 360]. */
export const sweepDeg = (fromDeg: number, toDeg: number): number => {
  const sweep = (((toDeg - fromDeg) % 360) + 360) % 360;
  return sweep === 0 ? 360 : sweep;
};

/** What remains of a circle when arcs are left out: the arcs between them, counter-clockwise. */
export function keptArcs(
  leftOut: readonly { readonly from_deg: number; readonly to_deg: number }[],
): { from_deg: number; to_deg: number }[] {
  if (leftOut.length === 0) return [{ from_deg: 0, to_deg: 360 }];
  const spans = leftOut
    .map((arc) => {
      const start = ((arc.from_deg % 360) + 360) % 360;
      return { start, end: start + sweepDeg(arc.from_deg, arc.to_deg) };
    })
    .sort((a, b) => a.start - b.start);
  const first = spans[0];
  if (!first) return [];
  const kept: { from_deg: number; to_deg: number }[] = [];
  let reach = first.end;
  for (const span of spans.slice(1)) {
    if (span.start > reach) kept.push({ from_deg: reach, to_deg: span.start });
    reach = Math.max(reach, span.end);
  }
  if (first.start + 360 > reach) kept.push({ from_deg: reach, to_deg: first.start + 360 });
  return kept;
}

/** Where two infinite lines cross; null when they are parallel. */
export function crossing(
  a: readonly [number, number],
  b: readonly [number, number],
  c: readonly [number, number],
  d: readonly [number, number],
): readonly [number, number] | null {
  const [ux, uy] = [b[0] - a[0], b[1] - a[1]];
  const [vx, vy] = [d[0] - c[0], d[1] - c[1]];
  const across = ux * vy - uy * vx;
  if (Math.abs(across) < 1e-9) return null;
  const t = ((c[0] - a[0]) * vy - (c[1] - a[1]) * vx) / across;
  return [a[0] + t * ux, a[1] + t * uy];
}

export function centroid(points: readonly (readonly [number, number])[]): readonly [number, number] {
  const sum = points.reduce<readonly [number, number]>((all, p) => [all[0] + p[0], all[1] + p[1]], [0, 0]);
  const n = Math.max(1, points.length);
  return [sum[0] / n, sum[1] / n];
}
