/** What draws grey levels: the graphics card when there is one, else the processor. */

import type { Viewport } from "../geometry/viewport";
import type { Pyramid } from "./pyramid";

export interface GreyRenderer {
  /** "graphics card" or "processor": shown in the film's facts and used by tests. */
  readonly kind: "graphics card" | "processor";
  load(film: Pyramid): void;
  /** 65,536 greys; a new array only when the window changed. */
  setTable(table: Uint8ClampedArray): void;
  /** `view` in CSS pixels, `ratio` device pixels per CSS pixel. */
  draw(view: Viewport, ratio: number): void;
  dispose(): void;
}

/** Around the film: the reading room's own dark, so that the film's black edge stays visible. */
export const SURROUND: readonly [number, number, number] = [0x05, 0x07, 0x08];
