/** A mesh cut by a plane: the outline of a component in a slice. Geometry only. */

import { cross, dot, sub, type Vec } from "./vec";

export interface MeshData {
  /** x, y, z of each vertex. */
  readonly vertices: Float32Array;
  readonly faces: Uint32Array;
  /** One value a vertex, where the mesh carries one. */
  readonly value: Float32Array | null;
}

/** Read a mesh off the wire: uint32 V, uint32 F, V × 3 float32, F × 3 uint32, then V float32 when `valued`. Little-endian. */
export function meshOf(bytes: ArrayBuffer, valued: boolean): MeshData {
  const view = new DataView(bytes);
  const count = bytes.byteLength >= 8 ? view.getUint32(0, true) : 0;
  const faces = bytes.byteLength >= 8 ? view.getUint32(4, true) : 0;
  const need = 8 + 12 * count + 12 * faces + (valued ? 4 * count : 0);
  if (bytes.byteLength < need) throw new RangeError(`This surface is cut short: ${bytes.byteLength} of ${need} bytes arrived. Open the page again.`);
  return {
    vertices: new Float32Array(bytes, 8, count * 3),
    faces: new Uint32Array(bytes, 8 + 12 * count, faces * 3),
    value: valued ? new Float32Array(bytes, 8 + 12 * count + 12 * faces, count) : null,
  };
}

/** 16 numbers, row by row. */
export type Matrix = readonly number[];

export function moved(matrix: Matrix, [x, y, z]: Vec): Vec {
  const row = (i: number): number => (matrix[i] ?? 0) * x + (matrix[i + 1] ?? 0) * y + (matrix[i + 2] ?? 0) * z + (matrix[i + 3] ?? 0);
  return [row(0), row(4), row(8)];
}

/** The inverse of a matrix that only turns and moves. */
export function undoMotion(m: Matrix): number[] {
  const at = (i: number): number => m[i] ?? 0;
  const r = [at(0), at(4), at(8), at(1), at(5), at(9), at(2), at(6), at(10)];
  const t: Vec = [at(3), at(7), at(11)];
  const back = (i: number): number => -((r[i] ?? 0) * t[0] + (r[i + 1] ?? 0) * t[1] + (r[i + 2] ?? 0) * t[2]);
  return [r[0] ?? 0, r[1] ?? 0, r[2] ?? 0, back(0), r[3] ?? 0, r[4] ?? 0, r[5] ?? 0, back(3), r[6] ?? 0, r[7] ?? 0, r[8] ?? 0, back(6), 0, 0, 0, 1];
}

/** A plane by a point and its normal. */
export interface Cut {
  readonly point: Vec;
  readonly normal: Vec;
}

/**
 * Where the plane cuts the mesh: lines of points in the mesh's own frame, closed ones when `closed`.
 *
 * Each triangle that is crossed gives one segment between two of its edges; segments that share an edge are joined.
 * A vertex exactly on the plane counts as beyond it, so that every crossing has two ends.
 */
export function section(mesh: MeshData, cut: Cut): { points: Vec[]; closed: boolean }[] {
  const { vertices: v, faces } = mesh;
  const count = v.length / 3;
  const side = new Float32Array(count);
  const offset = dot(cut.point, cut.normal);
  for (let i = 0; i < count; i++) side[i] = (v[3 * i] as number) * cut.normal[0] + (v[3 * i + 1] as number) * cut.normal[1] + (v[3 * i + 2] as number) * cut.normal[2] - offset;
  const at = new Map<number, Vec>();
  const next = new Map<number, number[]>();
  const edge = (a: number, b: number): number => {
    const key = a < b ? a * count + b : b * count + a;
    if (!at.has(key)) {
      const [sa, sb] = [side[a] as number, side[b] as number];
      const t = sa / (sa - sb);
      const part = (k: number): number => (v[3 * a + k] as number) + ((v[3 * b + k] as number) - (v[3 * a + k] as number)) * t;
      at.set(key, [part(0), part(1), part(2)]);
    }
    return key;
  };
  const join = (a: number, b: number): void => {
    const list = next.get(a);
    if (list) list.push(b);
    else next.set(a, [b]);
  };
  for (let f = 0; f < faces.length; f += 3) {
    const [a, b, c] = [faces[f] as number, faces[f + 1] as number, faces[f + 2] as number];
    const [pa, pb, pc] = [(side[a] as number) >= 0, (side[b] as number) >= 0, (side[c] as number) >= 0];
    if (pa === pb && pb === pc) continue;
    const ends: number[] = [];
    if (pa !== pb) ends.push(edge(a, b));
    if (pb !== pc) ends.push(edge(b, c));
    if (pc !== pa) ends.push(edge(c, a));
    const [from, to] = ends;
    if (from === undefined || to === undefined || from === to) continue;
    join(from, to);
    join(to, from);
  }
  return chained(next).map(({ keys, closed }) => ({ points: keys.map((key) => at.get(key) as Vec), closed }));
}

/** Joins made into lines: open ones from their ends first, rings after. */
export function chained(next: ReadonlyMap<number, readonly number[]>): { keys: number[]; closed: boolean }[] {
  const lines: { keys: number[]; closed: boolean }[] = [];
  const used = new Set<number>();
  const walk = (start: number): void => {
    const keys = [start];
    used.add(start);
    for (let now = start; ; ) {
      const on = (next.get(now) ?? []).find((key) => !used.has(key));
      if (on === undefined) {
        lines.push({ keys, closed: keys.length > 2 && (next.get(now) ?? []).includes(start) });
        return;
      }
      keys.push(on);
      used.add(on);
      now = on;
    }
  };
  for (const [key, list] of next) if (list.length === 1 && !used.has(key)) walk(key);
  for (const key of next.keys()) if (!used.has(key)) walk(key);
  return lines;
}

/** A part's mesh cut by a slice in LPS: outlines in LPS. */
export function sectionInPlace(mesh: MeshData, toLps: Matrix, cut: Cut): { points: Vec[]; closed: boolean }[] {
  const back = undoMotion(toLps);
  const point = moved(back, cut.point);
  const normal = sub(moved(back, [cut.point[0] + cut.normal[0], cut.point[1] + cut.normal[1], cut.point[2] + cut.normal[2]]), point);
  return section(mesh, { point, normal }).map(({ points, closed }) => ({ points: points.map((p) => moved(toLps, p)), closed }));
}

/** Area inside the closed lines of a section, mm², by the shoelace in the plane: for tests and for telling holes. */
export function areaOf(points: readonly Vec[], normal: Vec): number {
  let sum: Vec = [0, 0, 0];
  points.forEach((p, i) => {
    const q = points[(i + 1) % points.length] as Vec;
    const c = cross(p, q);
    sum = [sum[0] + c[0], sum[1] + c[1], sum[2] + c[2]];
  });
  return Math.abs(dot(sum, normal)) / 2;
}
