/** Numbers that may not be mixed: a length at the hip, an angle, a place on a film. */

declare const unit: unique symbol;

/** Millimetres at the hip. */
export type Mm = number & { readonly [unit]: "mm" };
/** Degrees. */
export type Deg = number & { readonly [unit]: "deg" };
/** Pixels of a film, zero-based, centre of pixel. */
export type FilmPx = number & { readonly [unit]: "film px" };
/** Pixels of the page. */
export type PagePx = number & { readonly [unit]: "page px" };

/** (column, row) on a film. */
export type ImagePoint = readonly [column: FilmPx, row: FilmPx];

export const mm = (value: number): Mm => value as Mm;
export const deg = (value: number): Deg => value as Deg;
export const filmPx = (value: number): FilmPx => value as FilmPx;
export const pagePx = (value: number): PagePx => value as PagePx;
export const imagePoint = (column: number, row: number): ImagePoint => [filmPx(column), filmPx(row)];
