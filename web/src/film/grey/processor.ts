/** Grey levels on the processor: the same table, the same interpolation, into an ordinary canvas. */

import type { Viewport } from "../geometry/viewport";
import type { GreyLevel, Pyramid } from "./pyramid";
import { type GreyRenderer, SURROUND } from "./renderer";

const SURROUND_PIXEL = (0xff000000 | (SURROUND[2] << 16) | (SURROUND[1] << 8) | SURROUND[0]) >>> 0;

/** Draw into RGBA pixels. Pure but for `into`; bilinear where a film pixel is larger than a screen pixel. */
export function paint(
  level: GreyLevel,
  table: Uint8ClampedArray,
  view: Viewport,
  ratio: number,
  into: Uint32Array,
  width: number,
  height: number,
): void {
  const step = level.step;
  const perColumn = view.zoom * ratio * step;
  const perRow = perColumn * view.rowFactor;
  const x0 = view.x * ratio + (view.zoom * ratio * (step - 1)) / 2;
  const y0 = view.y * ratio + (view.zoom * ratio * view.rowFactor * (step - 1)) / 2;
  const { cols, rows, data } = level;
  const columns = new Int32Array(width);
  const parts = new Float32Array(width);
  for (let x = 0; x < width; x++) {
    const at = (x + 0.5 - x0) / perColumn;
    const inside = at >= -0.5 && at <= cols - 0.5;
    const held = Math.min(cols - 1, Math.max(0, at));
    const low = Math.min(Math.max(0, cols - 2), Math.floor(held));
    columns[x] = inside ? low : -1;
    parts[x] = held - low;
  }
  const right = cols > 1 ? 1 : 0;
  for (let y = 0, out = 0; y < height; y++) {
    const at = (y + 0.5 - y0) / perRow;
    if (at < -0.5 || at > rows - 0.5) {
      into.fill(SURROUND_PIXEL, out, out + width);
      out += width;
      continue;
    }
    const held = Math.min(rows - 1, Math.max(0, at));
    const low = Math.min(Math.max(0, rows - 2), Math.floor(held));
    const down = held - low;
    const upper = low * cols;
    const lower = rows > 1 ? upper + cols : upper;
    for (let x = 0; x < width; x++, out++) {
      const col = columns[x] as number;
      if (col < 0) {
        into[out] = SURROUND_PIXEL;
        continue;
      }
      const part = parts[x] as number;
      const a = data[upper + col] as number;
      const b = data[upper + col + right] as number;
      const c = data[lower + col] as number;
      const d = data[lower + col + right] as number;
      const top = a + (b - a) * part;
      const value = top + (c + (d - c) * part - top) * down;
      const grey = table[(value + 0.5) | 0] as number;
      into[out] = (0xff000000 | (grey << 16) | (grey << 8) | grey) >>> 0;
    }
  }
}

export class ProcessorRenderer implements GreyRenderer {
  readonly kind = "processor";
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  #film: Pyramid | null = null;
  #table: Uint8ClampedArray | null = null;
  #image: ImageData | null = null;

  constructor(canvas: HTMLCanvasElement) {
    const context = canvas.getContext("2d", { alpha: false });
    if (!context) throw new Error("This browser draws no pictures.");
    this.#canvas = canvas;
    this.#context = context;
  }

  load(film: Pyramid): void {
    this.#film = film;
  }

  setTable(table: Uint8ClampedArray): void {
    this.#table = table;
  }

  draw(view: Viewport, ratio: number): void {
    const { width, height } = this.#canvas;
    if (!this.#film || !this.#table || width === 0 || height === 0) return;
    if (this.#image?.width !== width || this.#image.height !== height) this.#image = this.#context.createImageData(width, height);
    const level = this.#film.level(this.#film.levelFor(view.zoom * ratio * Math.min(1, view.rowFactor)));
    paint(level, this.#table, view, ratio, new Uint32Array(this.#image.data.buffer), width, height);
    this.#context.putImageData(this.#image, 0, 0);
  }

  dispose(): void {
    this.#film = null;
  }
}
