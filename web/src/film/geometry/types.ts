/**
 * Coordinates that cannot be mixed up by accident.
 *
 * Image points are (column, row), zero-based, centre of pixel, as on the
 * server. Screen points are CSS pixels from the canvas's top left corner.
 */

declare const frame: unique symbol;

/** A value that carries its frame or unit in its type. */
export type Branded<T, Name extends string> = T & { readonly [frame]: Name };

export type ImagePoint = Branded<[number, number], "image, px">;
export type ScreenPoint = Branded<[number, number], "screen, css px">;
export type MmPerPx = Branded<number, "mm at the hip per column">;
/** Centre (column, row) and radius in columns. */
export type ImageCircle = Branded<[number, number, number], "image circle, px">;

export const imagePoint = (column: number, row: number): ImagePoint => [column, row] as ImagePoint;
export const screenPoint = (x: number, y: number): ScreenPoint => [x, y] as ScreenPoint;
export const imageCircle = (column: number, row: number, radius: number): ImageCircle =>
  [column, row, radius] as ImageCircle;
export const mmPerPx = (value: number): MmPerPx => value as MmPerPx;
/** Points arrive from the server as bare pairs; this is where they gain their frame. */
export const fromWire = (pair: readonly number[]): ImagePoint => imagePoint(pair[0] ?? 0, pair[1] ?? 0);

export type SideName = "left" | "right";

export const distance = (a: readonly [number, number], b: readonly [number, number]): number =>
  Math.hypot(a[0] - b[0], a[1] - b[1]);
