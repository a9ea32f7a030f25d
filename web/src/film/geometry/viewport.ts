/**
 * How a film lies on its canvas.
 *
 * `zoom` is CSS pixels per film column; a row is `rowFactor` times as tall
 * (mm per row / mm per column), so that a circle in the patient stays a
 * circle on screen. (`x`, `y`) is where pixel centre (0, 0) lands.
 */

import { type ImagePoint, imagePoint, type MmPerPx, type ScreenPoint, screenPoint } from "./types";

export interface Viewport {
  readonly zoom: number;
  readonly x: number;
  readonly y: number;
  readonly rowFactor: number;
}

export interface Extent {
  readonly columns: number;
  readonly rows: number;
}

export interface CanvasSize {
  readonly width: number;
  readonly height: number;
}

/** Widest zoom in: one film column over 24 CSS pixels. */
const MOST_ZOOM = 24;
/** A film may shrink to this share of the fitted size, so that it can never be lost. */
const LEAST_OF_FIT = 0.5;
/** This much of the canvas always keeps some film under it when panning, CSS px. */
const KEEP_IN_SIGHT = 80;

export const toScreen = (view: Viewport, point: readonly [number, number]): ScreenPoint =>
  screenPoint(view.x + view.zoom * point[0], view.y + view.zoom * view.rowFactor * point[1]);

export const toImage = (view: Viewport, point: readonly [number, number]): ImagePoint =>
  imagePoint((point[0] - view.x) / view.zoom, (point[1] - view.y) / (view.zoom * view.rowFactor));

/** The whole film, centred. */
export function fit(film: Extent, canvas: CanvasSize, rowFactor: number): Viewport {
  const zoom = Math.min(canvas.width / film.columns, canvas.height / (film.rows * rowFactor));
  return centred(canvas, rowFactor, zoom, imagePoint((film.columns - 1) / 2, (film.rows - 1) / 2));
}

/** A pelvis opens a little below its middle: hips and shafts are read, iliac crests seldom. */
const PELVIS_ROW = 0.58;

/** The film as wide as its canvas: for a pelvis, whose hips lie side by side. */
export function fill(film: Extent, canvas: CanvasSize, rowFactor: number): Viewport {
  const zoom = Math.max(canvas.width / film.columns, canvas.height / (film.rows * rowFactor));
  const centre = imagePoint((film.columns - 1) / 2, film.rows * PELVIS_ROW);
  return keepInSight(centred(canvas, rowFactor, zoom, centre), film, canvas, true);
}

/** A box of film columns and rows, as large as fits. */
export function fitBox(
  a: ImagePoint,
  b: ImagePoint,
  film: Extent,
  canvas: CanvasSize,
  rowFactor: number,
): Viewport {
  const wide = Math.max(1, Math.abs(b[0] - a[0]));
  const tall = Math.max(1, Math.abs(b[1] - a[1]) * rowFactor);
  const zoom = Math.min(MOST_ZOOM, canvas.width / wide, canvas.height / tall);
  const centre = imagePoint((a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
  return keepInSight(centred(canvas, rowFactor, zoom, centre), film, canvas, true);
}

function centred(canvas: CanvasSize, rowFactor: number, zoom: number, at: ImagePoint): Viewport {
  return {
    zoom,
    rowFactor,
    x: canvas.width / 2 - zoom * at[0],
    y: canvas.height / 2 - zoom * rowFactor * at[1],
  };
}

/** Zoom by `factor`, leaving the film under `at` where it is. */
export function zoomAt(
  view: Viewport,
  factor: number,
  at: ScreenPoint,
  film: Extent,
  canvas: CanvasSize,
): Viewport {
  const least = fit(film, canvas, view.rowFactor).zoom * LEAST_OF_FIT;
  const zoom = Math.min(MOST_ZOOM, Math.max(least, view.zoom * factor));
  const held = toImage(view, at);
  const moved = {
    zoom,
    rowFactor: view.rowFactor,
    x: at[0] - zoom * held[0],
    y: at[1] - zoom * view.rowFactor * held[1],
  };
  return keepInSight(moved, film, canvas);
}

/** Slide by a screen distance, never so far that the film is lost. */
export function pan(view: Viewport, dx: number, dy: number, film: Extent, canvas: CanvasSize): Viewport {
  return keepInSight({ ...view, x: view.x + dx, y: view.y + dy }, film, canvas);
}

/** Hold the film under the canvas; `flush` also closes gaps where the film is larger than the canvas. */
export function keepInSight(view: Viewport, film: Extent, canvas: CanvasSize, flush = false): Viewport {
  const hold = (at: number, size: number, room: number): number => {
    if (flush && size >= room) return Math.min(0, Math.max(room - size, at));
    const keep = Math.min(KEEP_IN_SIGHT, size, room);
    return Math.min(room - keep, Math.max(keep - size, at));
  };
  const halfX = view.zoom / 2;
  const halfY = (view.zoom * view.rowFactor) / 2;
  return {
    ...view,
    x: hold(view.x - halfX, view.zoom * film.columns, canvas.width) + halfX,
    y: hold(view.y - halfY, view.zoom * view.rowFactor * film.rows, canvas.height) + halfY,
  };
}

/** The film point at the middle of the canvas, and the zoom relative to `fit`: what two linked films share. */
export interface Look {
  readonly column: number;
  readonly row: number;
  readonly ofFit: number;
}

/** A look as shares of the film's size, so that films of unlike size follow one another. */
export function lookOf(view: Viewport, film: Extent, canvas: CanvasSize): Look {
  const at = toImage(view, [canvas.width / 2, canvas.height / 2]);
  return {
    column: at[0] / film.columns,
    row: at[1] / film.rows,
    ofFit: view.zoom / fit(film, canvas, view.rowFactor).zoom,
  };
}

export function viewOf(look: Look, film: Extent, canvas: CanvasSize, rowFactor: number): Viewport {
  const zoom = fit(film, canvas, rowFactor).zoom * look.ofFit;
  const at = imagePoint(look.column * film.columns, look.row * film.rows);
  return centred(canvas, rowFactor, zoom, at);
}

/** Length on screen of a distance at the hip, along the columns. */
export const screenLength = (view: Viewport, lengthMm: number, scale: MmPerPx): number =>
  (lengthMm / scale) * view.zoom;
