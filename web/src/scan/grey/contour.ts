/** Lines of equal share in a field of samples: marching squares with straight interpolation. */

import { chained } from "../geometry/section";

export interface Contour {
  readonly points: readonly (readonly [number, number])[];
  readonly closed: boolean;
}

/** Lines at `level`, in sample coordinates (column, row). Cells with two diagonal corners inside are joined over their middle. */
export function contours(field: Float32Array, width: number, height: number, level = 0.5): Contour[] {
  const at = new Map<number, readonly [number, number]>();
  const next = new Map<number, number[]>();
  const value = (x: number, y: number): number => field[y * width + x] as number;
  const crossing = (x: number, y: number, down: boolean): number => {
    const key = (y * width + x) * 2 + (down ? 1 : 0);
    if (!at.has(key)) {
      const [a, b] = [value(x, y), down ? value(x, y + 1) : value(x + 1, y)];
      const t = (level - a) / (b - a);
      at.set(key, down ? [x, y + t] : [x + t, y]);
    }
    return key;
  };
  const join = (a: number, b: number): void => {
    for (const [from, to] of [
      [a, b],
      [b, a],
    ] as const) {
      const list = next.get(from);
      if (list) list.push(to);
      else next.set(from, [to]);
    }
  };
  for (let y = 0; y + 1 < height; y++) {
    for (let x = 0; x + 1 < width; x++) {
      const [a, b, c, d] = [value(x, y), value(x + 1, y), value(x + 1, y + 1), value(x, y + 1)];
      const kind = (a >= level ? 1 : 0) | (b >= level ? 2 : 0) | (c >= level ? 4 : 0) | (d >= level ? 8 : 0);
      if (kind === 0 || kind === 15) continue;
      const top = (): number => crossing(x, y, false);
      const right = (): number => crossing(x + 1, y, true);
      const bottom = (): number => crossing(x, y + 1, false);
      const left = (): number => crossing(x, y, true);
      const inside = (a + b + c + d) / 4 >= level;
      switch (kind > 7 ? 15 - kind : kind) {
        case 1:
          join(left(), top());
          break;
        case 2:
          join(top(), right());
          break;
        case 3:
          join(left(), right());
          break;
        case 4:
          join(right(), bottom());
          break;
        case 5: {
          // Corners a and c on one side of the level, b and d on the other.
          const ac = kind === 5 ? inside : !inside;
          if (ac) {
            join(left(), bottom());
            join(top(), right());
          } else {
            join(left(), top());
            join(right(), bottom());
          }
          break;
        }
        case 6:
          join(top(), bottom());
          break;
        default:
          join(left(), bottom());
      }
    }
  }
  return chained(next).map(({ keys, closed }) => ({ points: keys.map((key) => at.get(key) as readonly [number, number]), closed }));
}
