/**
 * A film and its halves.
 *
 * A whole pelvis on a screen is shown from a level whose pixels are about one
 * screen pixel: thin trabeculae then average instead of flickering, and a
 * software renderer touches a tenth of the memory. Level k halves k times by
 * mean of 2 × 2; pixel j of level k is centred on film column (j + ½)·2ᵏ − ½.
 */

export interface GreyLevel {
  readonly rows: number;
  readonly cols: number;
  readonly data: Uint16Array;
  /** Film pixels per pixel of this level, along each axis. */
  readonly step: number;
}

export function halve(level: GreyLevel): GreyLevel {
  const rows = Math.max(1, level.rows >> 1);
  const cols = Math.max(1, level.cols >> 1);
  const data = new Uint16Array(rows * cols);
  const from = level.data;
  const wide = level.cols;
  const right = level.cols > 1 ? 1 : 0;
  const below = level.rows > 1 ? wide : 0;
  for (let row = 0, out = 0; row < rows; row++) {
    let at = row * 2 * wide;
    for (let col = 0; col < cols; col++, out++, at += 2) {
      data[out] = ((from[at] as number) + (from[at + right] as number) + (from[at + below] as number) + (from[at + below + right] as number) + 2) >> 2;
    }
  }
  return { rows, cols, data, step: level.step * 2 };
}

/** Levels made when first wanted: a film that is only ever looked at whole costs one pass. */
export class Pyramid {
  readonly #levels: GreyLevel[];

  constructor(rows: number, cols: number, data: Uint16Array) {
    if (data.length < rows * cols) {
      throw new RangeError(`The film's grey levels are cut short: ${data.length} of ${rows * cols} arrived. Open it again.`);
    }
    this.#levels = [{ rows, cols, data, step: 1 }];
  }

  level(index: number): GreyLevel {
    let last = this.#levels[this.#levels.length - 1] as GreyLevel;
    while (this.#levels.length <= index && Math.min(last.rows, last.cols) > 1) {
      last = halve(last);
      this.#levels.push(last);
    }
    return this.#levels[Math.min(index, this.#levels.length - 1)] as GreyLevel;
  }

  /** The coarsest level that still has at least one pixel for every device pixel, `zoom` device px per column. */
  levelFor(zoom: number): number {
    return Math.max(0, Math.floor(Math.log2(1 / zoom) + 0.01));
  }
}
