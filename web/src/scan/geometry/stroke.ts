/** A stroke of the brush: as few points as keep its shape. */

import { distance, dot, sub, type Vec } from "./vec";

/** Most points of one correction that the server takes. */
export const MOST_POINTS = 2000;

/**
 * Thinned so that no left-out point lies further than `within` mm from the line (Douglas and Peucker 1973),
 * and never beyond `most` points: then it is thinned more.
 */
export function thinned(points: readonly Vec[], within_mm: number, most = MOST_POINTS): Vec[] {
  const first = points[0];
  if (!first) return [];
  let out = halved(points, within_mm);
  for (let coarser = within_mm * 2; out.length > most; coarser *= 2) out = halved(points, coarser);
  return out;
}

function halved(points: readonly Vec[], within: number): Vec[] {
  const keep = new Uint8Array(points.length);
  keep[0] = keep[points.length - 1] = 1;
  const spans: [number, number][] = [[0, points.length - 1]];
  for (let span = spans.pop(); span; span = spans.pop()) {
    const [a, b] = span;
    let [worst, at] = [within, -1];
    for (let i = a + 1; i < b; i++) {
      const off = offLine(points[i] as Vec, points[a] as Vec, points[b] as Vec);
      if (off > worst) [worst, at] = [off, i];
    }
    if (at < 0) continue;
    keep[at] = 1;
    spans.push([a, at], [at, b]);
  }
  return points.filter((_, i) => keep[i] === 1);
}

function offLine(p: Vec, a: Vec, b: Vec): number {
  const ab = sub(b, a);
  const square = dot(ab, ab);
  const t = square === 0 ? 0 : Math.min(1, Math.max(0, dot(sub(p, a), ab) / square));
  return distance(p, [a[0] + ab[0] * t, a[1] + ab[1] * t, a[2] + ab[2] * t]);
}
