/**
 * A reading as it is edited: old state in, new state out. No DOM, no formula.
 *
 * Keys are the server's: `right.head_centre`, `pubic_symphysis`; the head's
 * circle is `right.head`. What the program found stays in `found` until a
 * person accepts it or moves it by hand.
 */

import type { ReadingState, Side, SignsIn, SnapIn, SnapOut } from "../../api/schema";
import type { ImageCircle, ImagePoint } from "../geometry/types";

export type SnapWhat = SnapIn["what"];
export type Kind = "point" | "circle" | "outline";

export const EMPTY: ReadingState = { points: {}, circles: {}, outlines: {}, sd_px: {}, found: [], left_out: {}, signs: {} };

/** "right" of `right.teardrop`; null for a point of the midline. */
export function sideOf(key: string): Side | null {
  const head = key.split(".", 1)[0];
  return head === "right" || head === "left" ? head : null;
}

export const nameOf = (key: string): string => (sideOf(key) ? key.slice(key.indexOf(".") + 1) : key);
export const keyOf = (name: string, side: Side | null): string => (side ? `${side}.${name}` : name);
export const headKey = (side: Side): string => `${side}.head`;
export const centreKey = (side: Side): string => `${side}.head_centre`;

/** What one snap finds belongs together: one Space accepts it all. */
export function groupOf(key: string): string {
  const name = nameOf(key);
  const side = sideOf(key) ?? "middle";
  if (name === "head_centre" || name === "head") return `${side}.head`;
  if (name.startsWith("shaft") || name.startsWith("canal")) return `${side}.shaft`;
  if (name.startsWith("neck") || name.startsWith("head_neck")) return `${side}.neck`;
  return key;
}

const without = <T,>(record: { readonly [key: string]: T }, keys: ReadonlySet<string>): { [key: string]: T } =>
  Object.fromEntries(Object.entries(record).filter(([key]) => !keys.has(key)));

const dropKeys = (state: ReadingState, keys: readonly string[]): string[] => state.found.filter((key) => !keys.includes(key));

/** A point where a person put it: theirs, with the default scatter of a hand. A head carries its circle along. */
export function placePoint(state: ReadingState, key: string, at: ImagePoint): ReadingState {
  const next: ReadingState = {
    ...state,
    points: { ...state.points, [key]: at },
    found: dropKeys(state, [key]),
    sd_px: without(state.sd_px, new Set([key])),
  };
  const side = sideOf(key);
  const circle = side && key === centreKey(side) ? state.circles[headKey(side)] : undefined;
  if (!side || !circle) return next;
  return {
    ...next,
    circles: { ...next.circles, [headKey(side)]: [at[0], at[1], circle[2]] },
    // Arcs were left out of the circle that stood elsewhere.
    left_out: without(next.left_out, new Set([headKey(side)])),
    sd_px: without(next.sd_px, new Set([key, headKey(side)])),
    found: dropKeys(next, [key, headKey(side)]),
  };
}

/** The head's circle as a person drew it. Its centre is the head centre. */
export function placeCircle(state: ReadingState, side: Side, circle: ImageCircle): ReadingState {
  const keys = [headKey(side), centreKey(side)];
  return {
    ...state,
    circles: { ...state.circles, [headKey(side)]: circle },
    points: { ...state.points, [centreKey(side)]: [circle[0], circle[1]] },
    left_out: without(state.left_out, new Set([headKey(side)])),
    sd_px: without(state.sd_px, new Set(keys)),
    found: dropKeys(state, keys),
  };
}

/** What the program found, blue until accepted. A point that a person has accepted or placed is not replaced. */
export function applySnap(state: ReadingState, side: Side, snap: SnapOut, clicked: readonly string[]): ReadingState {
  if (!snap.found) return state;
  const mine = (key: string): boolean => key in state.points && !state.found.includes(key) && !clicked.includes(key);
  const points = Object.fromEntries(Object.entries(snap.points).filter(([key]) => !mine(key)));
  const sd = Object.fromEntries(Object.entries(snap.sd_px).filter(([key]) => !mine(key)));
  const keys = [...Object.keys(points), ...Object.keys(snap.outlines)];
  const next: ReadingState = {
    ...state,
    points: { ...state.points, ...points },
    sd_px: { ...state.sd_px, ...sd },
    outlines: { ...state.outlines, ...snap.outlines },
  };
  if (snap.circle) {
    const key = headKey(side);
    keys.push(key);
    next.circles = { ...state.circles, [key]: snap.circle };
    next.left_out = { ...state.left_out, [key]: snap.left_out };
    if (snap.circle_sd_px !== null) next.sd_px = { ...next.sd_px, [key]: snap.circle_sd_px };
  }
  next.found = [...new Set([...state.found, ...keys])];
  return next;
}

/** Everything of this key's snap becomes the reader's. */
export function accept(state: ReadingState, key: string): ReadingState {
  const group = groupOf(key);
  const found = state.found.filter((other) => groupOf(other) !== group);
  return found.length === state.found.length ? state : { ...state, found };
}

export const acceptAll = (state: ReadingState): ReadingState => (state.found.length === 0 ? state : { ...state, found: [] });

/** Take a mark away. A head centre takes its circle with it. */
export function remove(state: ReadingState, key: string): ReadingState {
  const side = sideOf(key);
  const head = side && (key === centreKey(side) || key === headKey(side)) ? [centreKey(side), headKey(side)] : [];
  const keys = new Set([key, ...head]);
  return {
    ...state,
    points: without(state.points, keys),
    circles: without(state.circles, keys),
    outlines: without(state.outlines, keys),
    sd_px: without(state.sd_px, keys),
    left_out: without(state.left_out, keys),
    found: state.found.filter((other) => !keys.has(other)),
  };
}

export function setOutline(state: ReadingState, key: string, corners: readonly ImagePoint[]): ReadingState {
  if (corners.length === 0) return remove(state, key);
  return { ...state, outlines: { ...state.outlines, [key]: [...corners] }, found: dropKeys(state, [key]) };
}

export const UNSEEN: SignsIn = {
  film_abnormal: null,
  mri_abnormal: null,
  sclerosis: null,
  cysts: null,
  crescent: null,
  flattening: null,
  joint_space_narrowed: null,
  acetabular_changes: null,
  joint_destroyed: null,
};

export function setSign(state: ReadingState, side: Side, sign: keyof SignsIn, seen: boolean | null): ReadingState {
  return { ...state, signs: { ...state.signs, [side]: { ...UNSEEN, ...state.signs[side], [sign]: seen } } };
}

/** What the guide asks for now: what was found and waits for a yes, else the first mark still wanted. */
export function wanted(state: ReadingState, todo: readonly string[], skipped: ReadonlySet<string> = new Set()): string | null {
  const waiting = state.found.find((key) => key in state.points);
  return waiting ?? todo.find((key) => !(key in state.points) && !skipped.has(key)) ?? null;
}

/** Marks that can be stepped through: placed ones and wanted ones, in the server's order, found ones of outlines left out. */
export function stops(state: ReadingState, order: readonly string[], todo: readonly string[]): string[] {
  const all = new Set([...order.filter((key) => key in state.points), ...Object.keys(state.points), ...todo]);
  const rank = new Map(order.map((key, index) => [key, index]));
  return [...all].sort((a, b) => (rank.get(a) ?? Infinity) - (rank.get(b) ?? Infinity));
}

/** Which left out of the way: an answer the server already has is not sent twice. */
export function sameState(a: ReadingState, b: ReadingState): boolean {
  return JSON.stringify(ordered(a)) === JSON.stringify(ordered(b));
}

function ordered(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(ordered);
  if (typeof value === "object" && value !== null) {
    return Object.fromEntries(
      Object.entries(value)
        .filter(([, inner]) => inner !== null && inner !== undefined)
        .sort(([a], [b]) => a.localeCompare(b))
        .map(([key, inner]) => [key, ordered(inner)]),
    );
  }
  return typeof value === "number" ? Math.round(value * 1e6) / 1e6 : value;
}
