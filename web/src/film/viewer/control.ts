/**
 * How one film is being looked at: place and zoom, window, polarity.
 *
 * Buttons, keys, wheel and drags all end here, so a page never keeps a second
 * copy. Two controls can be linked: the second film then follows the first in
 * shares of its own size and grey range.
 */

import { store } from "../../model/store";
import { type ImagePoint, type ScreenPoint, screenPoint } from "../geometry/types";
import {
  type CanvasSize,
  type Extent,
  fill,
  fit,
  fitBox,
  keepInSight,
  type Look,
  lookOf,
  pan,
  toScreen,
  type Viewport,
  viewOf,
  zoomAt,
} from "../geometry/viewport";
import { draggedWindow, leastWidth, type Voi } from "../grey/voi";

export interface FilmShape extends Extent {
  readonly rowFactor: number;
  readonly range: readonly [number, number];
}

export type Opening = "fit" | "fill" | { readonly box: readonly [ImagePoint, ImagePoint] };

/** One key or wheel notch. */
export const ZOOM_STEP = 1.25;
/** One arrow press slides by this share of the canvas. */
const PAN_STEP = 0.12;

export class ViewControl {
  readonly view = store<Viewport | null>(null);
  readonly voi = store<Voi>({ function: "LINEAR_EXACT", center: 0.5, width: 1 });
  readonly inverted = store(false);
  /** Light mode: a plain drag changes the window and the typed fields stand open. */
  readonly light = store(false);
  readonly shape: FilmShape;
  readonly presets: readonly Voi[];
  readonly firstInverted: boolean;
  #canvas: CanvasSize = { width: 0, height: 0 };
  #opening: Opening;
  #touched = false;
  #pointer: ScreenPoint | null = null;

  constructor(shape: FilmShape, presets: readonly Voi[], inverted: boolean, opening: Opening = "fit") {
    this.shape = shape;
    this.presets = presets;
    this.firstInverted = inverted;
    this.#opening = opening;
    this.inverted.set(inverted);
    const [low, high] = shape.range;
    this.voi.set(presets[0] ?? { function: "LINEAR_EXACT", center: (low + high) / 2, width: Math.max(1e-6, high - low) });
  }

  get canvas(): CanvasSize {
    return this.#canvas;
  }

  /** The canvas got its size, or another one: keep what was in the middle in the middle. */
  resize(canvas: CanvasSize): void {
    if (canvas.width === this.#canvas.width && canvas.height === this.#canvas.height) return;
    const before = this.view.get();
    const old = this.#canvas;
    this.#canvas = canvas;
    if (canvas.width === 0 || canvas.height === 0) return;
    if (!before || !this.#touched || old.width === 0) this.open(this.#opening);
    else this.view.set(viewOf(lookOf(before, this.shape, old), this.shape, canvas, this.shape.rowFactor));
  }

  /** Back to the page's own first look. */
  open(opening: Opening = this.#opening): void {
    this.#opening = opening;
    this.#touched = false;
    if (this.#canvas.width === 0) return;
    const { shape } = this;
    if (opening === "fit") this.view.set(fit(shape, this.#canvas, shape.rowFactor));
    else if (opening === "fill") this.view.set(fill(shape, this.#canvas, shape.rowFactor));
    else this.view.set(fitBox(opening.box[0], opening.box[1], shape, this.#canvas, shape.rowFactor));
  }

  whole(): void {
    this.open("fit");
  }

  /** Where keys zoom: under the pointer when it is over the film, else the middle. */
  pointAt(at: ScreenPoint | null): void {
    this.#pointer = at;
  }

  zoom(factor: number, at?: ScreenPoint): void {
    const view = this.view.get();
    if (!view) return;
    this.#touched = true;
    const about = at ?? this.#pointer ?? screenPoint(this.#canvas.width / 2, this.#canvas.height / 2);
    this.view.set(zoomAt(view, factor, about, this.shape, this.#canvas));
  }

  slide(dx: number, dy: number): void {
    const view = this.view.get();
    if (!view) return;
    this.#touched = true;
    this.view.set(pan(view, dx, dy, this.shape, this.#canvas));
  }

  slideSteps(right: number, down: number): void {
    this.slide(-right * PAN_STEP * this.#canvas.width, -down * PAN_STEP * this.#canvas.height);
  }

  /** Bring a film point into sight without moving the film when it already is. */
  reveal(point: ImagePoint, margin = 60): void {
    const view = this.view.get();
    if (!view) return;
    const [x, y] = toScreen(view, point);
    const { width, height } = this.#canvas;
    const dx = x < margin ? margin - x : x > width - margin ? width - margin - x : 0;
    const dy = y < margin ? margin - y : y > height - margin ? height - margin - y : 0;
    if (dx !== 0 || dy !== 0) this.slide(dx, dy);
  }

  dragWindow(from: Voi, moved: readonly [number, number]): void {
    this.voi.set(draggedWindow(from, moved, this.#canvas, this.shape.range));
  }

  /** Typed values; what cannot be a window is ignored until it can. */
  typeWindow(center: number, width: number): void {
    const now = this.voi.get();
    const fn = now.function === "TABLE" ? "LINEAR" : now.function;
    if (!Number.isFinite(center) || !Number.isFinite(width) || width < leastWidth(fn)) return;
    this.voi.set({ ...now, function: fn, center, width });
  }

  usePreset(index: number): void {
    const preset = this.presets[index];
    if (preset) this.voi.set(preset);
  }

  invert(): void {
    this.inverted.set((now) => !now);
  }

  toggleLight(): void {
    this.light.set((now) => !now);
  }

  get look(): Look | null {
    const view = this.view.get();
    return view && this.#canvas.width > 0 ? lookOf(view, this.shape, this.#canvas) : null;
  }

  follow(look: Look): void {
    if (this.#canvas.width === 0) return;
    this.#touched = true;
    const view = viewOf(look, this.shape, this.#canvas, this.shape.rowFactor);
    this.view.set(keepInSight(view, this.shape, this.#canvas));
  }

  /** Centre and width as shares of this film's range: what a linked film of another range can follow. */
  get windowShare(): readonly [number, number] {
    const [low, high] = this.shape.range;
    const span = Math.max(1e-6, high - low);
    const { center, width } = this.voi.get();
    return [(center - low) / span, width / span];
  }

  followWindow(share: readonly [number, number]): void {
    const [low, high] = this.shape.range;
    const span = high - low;
    this.typeWindow(low + share[0] * span, share[1] * span);
  }
}

/** Each follows the other until the returned function is called. */
export function link(a: ViewControl, b: ViewControl): () => void {
  let busy = false;
  const once = (run: () => void) => () => {
    if (busy) return;
    busy = true;
    run();
    busy = false;
  };
  const place = (from: ViewControl, to: ViewControl) =>
    from.view.watch(
      once(() => {
        const look = from.look;
        if (look) to.follow(look);
      }),
    );
  const grey = (from: ViewControl, to: ViewControl) => from.voi.watch(once(() => to.followWindow(from.windowShare)));
  const polarity = (from: ViewControl, to: ViewControl) =>
    from.inverted.watch(
      once(() => to.inverted.set((from.inverted.get() !== from.firstInverted) !== to.firstInverted)),
    );
  const ends = [place(a, b), place(b, a), grey(a, b), grey(b, a), polarity(a, b), polarity(b, a)];
  return () => ends.forEach((end) => end());
}
