/** Where words stand on a film: beside what they name, clear of marks and of one another. */

export type XY = readonly [number, number];

export interface Box {
  readonly left: number;
  readonly top: number;
  readonly right: number;
  readonly bottom: number;
}

export interface Wanted {
  readonly key: string;
  /** Size of the words, CSS px. */
  readonly width: number;
  readonly height: number;
  /** Centres it may have, the one wished for most first. */
  readonly places: readonly XY[];
}

/** Something a label should not lie on; a mark weighs more than a line that runs on beneath it. */
export interface Obstacle {
  readonly at: XY;
  readonly weight: number;
}

/** Room kept free around words, CSS px. */
const CLEAR_PX = 4;
const COST = { rank: 0.35, on: 12, outside: 30 } as const;

export const boxAt = ([x, y]: XY, width: number, height: number): Box => ({ left: x - width / 2, top: y - height / 2, right: x + width / 2, bottom: y + height / 2 });

/** The share of `a` that lies on `b`, 0 to 1. */
export function overlap(a: Box, b: Box): number {
  const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
  const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
  if (across <= 0 || down <= 0) return 0;
  return (across * down) / ((a.right - a.left) * (a.bottom - a.top));
}

/** Centres of the labels, placed one after the other in the order given: the first has the free choice. */
export function placeLabels(wanted: readonly Wanted[], obstacles: readonly Obstacle[], bounds: Box, taken: readonly Box[] = []): ReadonlyMap<string, XY> {
  const placed = new Map<string, XY>();
  const boxes = [...taken];
  for (const label of wanted) {
    let best: { at: XY; cost: number } | null = null;
    label.places.forEach((at, rank) => {
      const box = boxAt(at, label.width, label.height);
      let cost = rank * COST.rank + (1 - overlap(box, bounds)) * COST.outside;
      for (const other of boxes) cost += overlap(box, other) > 0 ? COST.on * (0.4 + overlap(box, other)) : 0;
      for (const { at: [x, y], weight } of obstacles) {
        if (x > box.left - CLEAR_PX && x < box.right + CLEAR_PX && y > box.top - CLEAR_PX && y < box.bottom + CLEAR_PX) cost += weight;
      }
      if (!best || cost < best.cost) best = { at, cost };
    });
    const chosen = best as { at: XY; cost: number } | null;
    if (!chosen) continue;
    placed.set(label.key, chosen.at);
    boxes.push(boxAt(chosen.at, label.width, label.height));
  }
  return placed;
}

/** Width of words, near enough to keep them apart: letters of the data face are a little over half their size wide. */
export const wordsWidth = (words: string, size: number): number => words.length * size * 0.56 + 4;

/** Places beside a line: at its middle first, on either side, then along it. */
export function besideLine(a: XY, b: XY, width: number, height: number): XY[] {
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const length = Math.hypot(dx, dy) || 1;
  // Upward first: words over a line are what people expect.
  const n: XY = dx >= 0 ? [dy / length, -dx / length] : [-dy / length, dx / length];
  const reach = (Math.abs(n[0]) * width) / 2 + (Math.abs(n[1]) * height) / 2 + 5;
  return [0.5, 0.36, 0.64, 0.22, 0.78, 0.05, 0.95].flatMap((t) =>
    [1, -1].map((way): XY => [a[0] + dx * t + n[0] * reach * way, a[1] + dy * t + n[1] * reach * way]),
  );
}

/** Places around a point, the wished direction first, then on round it and further out. */
export function aroundPoint([x, y]: XY, width: number, height: number, first: XY): XY[] {
  const start = Math.atan2(first[1], first[0]);
  const turns = [0, 0.5, -0.5, 1, -1, 1.6, -1.6, 2.3, -2.3, Math.PI];
  return [10, 26].flatMap((gap) =>
    turns.map((turn): XY => {
      const [across, down] = [Math.cos(start + turn), Math.sin(start + turn)];
      return [x + across * (width / 2 + gap), y + down * (height / 2 + gap)];
    }),
  );
}
