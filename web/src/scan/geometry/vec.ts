/** Points and directions in space, mm, LPS. */

export type Vec = readonly [number, number, number];

export const add = (a: Vec, b: Vec): Vec => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
export const sub = (a: Vec, b: Vec): Vec => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
export const scale = (a: Vec, by: number): Vec => [a[0] * by, a[1] * by, a[2] * by];
export const dot = (a: Vec, b: Vec): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const cross = (a: Vec, b: Vec): Vec => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
export const length = (a: Vec): number => Math.hypot(a[0], a[1], a[2]);
export const unit = (a: Vec): Vec => scale(a, 1 / (length(a) || 1));
export const distance = (a: Vec, b: Vec): number => length(sub(a, b));
/** `a` moved by `t` along `direction`. */
export const along = (a: Vec, direction: Vec, t: number): Vec => [a[0] + direction[0] * t, a[1] + direction[1] * t, a[2] + direction[2] * t];

/** `v` turned about the unit `axis`, right-handed. */
export function turnedAbout(v: Vec, axis: Vec, deg: number): Vec {
  const angle = (deg * Math.PI) / 180;
  const [c, s] = [Math.cos(angle), Math.sin(angle)];
  return add(add(scale(v, c), scale(cross(axis, v), s)), scale(axis, dot(axis, v) * (1 - c)));
}

/** As it is sent. */
export const wire = (a: Vec): [number, number, number] => [a[0], a[1], a[2]];
