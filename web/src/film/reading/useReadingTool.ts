/**
 * What the pointer and the keys do on a reading.
 *
 * Modes: place (click the wanted landmark, drag any mark), asking (a snap wants
 * three clicks on an outline), outline (corner by corner until it is closed).
 * Escape always returns to place.
 */

import { useCallback, useMemo, useRef, useState } from "preact/hooks";
import { ask, at as path } from "../../api/client";
import type { LandmarkInfo, ReadingState, Side, SnapIn, SnapOut } from "../../api/schema";
import { say } from "../../parts/keys";
import { insertCorner, moveCorner, nearestCorner, nearestEdge } from "../geometry/shapes";
import { distance, fromWire, type ImageCircle, imageCircle, type ImagePoint, imagePoint, type MmPerPx } from "../geometry/types";
import {
  accept,
  applySnap,
  headKey,
  keyOf,
  nameOf,
  placeCircle,
  placePoint,
  remove,
  setOutline,
  sideOf,
  type SnapWhat,
  stops,
  wanted,
} from "../model/reading";
import type { ViewControl } from "../viewer/control";
import type { FilmTool } from "../viewer/FilmViewer";
import type { ReadingWork } from "./useReading";

export type Mode =
  | { readonly name: "place" }
  | { readonly name: "asking"; readonly what: SnapWhat; readonly key: string; readonly side: Side; readonly clicks: readonly ImagePoint[]; readonly ask: string }
  | { readonly name: "outline"; readonly key: string; readonly closed: boolean; readonly corners: readonly ImagePoint[] };

/** Clicks on an outline that a snap asks for when one was not enough. */
const CLICKS_ASKED = 3;
/** A click this near a mark means that mark, CSS px. */
const RIGHT_ON_PX = 5;
/** Arrow step: 0.1 mm at the hip; on a film without scale half a pixel. */
const NUDGE_MM = 0.1;
const NUDGE_PX = 0.5;
/** Nudges within this time are one step of the undo history. */
const NUDGES_JOIN_MS = 700;

interface ToolOptions {
  readonly film: string;
  readonly work: ReadingWork;
  readonly control: ViewControl;
  readonly scale: MmPerPx | null;
  readonly landmarks: ReadonlyMap<string, LandmarkInfo>;
  readonly order: readonly string[];
  readonly labelOf: (key: string) => string;
}

export interface ReadingTool {
  readonly tool: FilmTool;
  readonly mode: Mode;
  readonly selected: string | null;
  readonly snapping: boolean;
  /** What the last snap said about this mark. */
  readonly saidOf: (key: string) => string | null;
  readonly select: (key: string | null) => void;
  readonly acceptSelected: () => void;
  readonly skip: (step: 1 | -1) => boolean;
  readonly removeSelected: () => void;
  readonly nudge: (columns: number, rows: number) => void;
  readonly beginOutline: (name: string, side: Side, closed: boolean) => void;
  readonly closeOutline: () => void;
  readonly backToPlace: () => void;
}

export function useReadingTool({ film, work, control, scale, landmarks, order, labelOf }: ToolOptions): ReadingTool {
  const { state, commit, show } = work;
  const todo = work.measures?.todo ?? [];
  const [chosen, setChosen] = useState<string | null>(null);
  const [skipped, setSkipped] = useState<ReadonlySet<string>>(new Set());
  const [mode, setMode] = useState<Mode>({ name: "place" });
  const [snapping, setSnapping] = useState(false);
  const [said, setSaid] = useState<{ readonly [key: string]: string }>({});
  // A mark that was undone or taken away is no longer chosen, unless it can be placed again.
  const known = chosen !== null && (chosen in state.points || chosen in state.outlines || order.includes(chosen));
  const selected = known ? chosen : wanted(state, todo, skipped);
  const held = useRef<{ state: ReadingState; moved: boolean }>({ state, moved: false });
  const nudging = useRef<ReturnType<typeof setTimeout> | null>(null);
  const now = useRef({ state, selected, mode });
  now.current = { state, selected, mode };

  const snap = useCallback(
    (what: SnapWhat, side: Side, key: string, clicks: readonly ImagePoint[], base: ReadingState) => {
      const circle = base.circles[headKey(side)];
      const body: SnapIn = { what, side, clicks: clicks.map(([c, r]) => [c, r]), circle: what === "head" ? null : (circle ?? null) };
      setSnapping(true);
      ask<SnapOut>("POST", path("/api/films", film, {}, "/snap"), body).then(
        (found) => {
          setSnapping(false);
          setSaid((all) => ({ ...all, [key]: found.says }));
          if (found.ask && clicks.length < CLICKS_ASKED) {
            setMode({ name: "asking", what, key, side, clicks: [], ask: found.ask });
            return;
          }
          setMode({ name: "place" });
          // Three clicks on the outline decide: what they give is shown, to be accepted or moved.
          const decided = found.found || (clicks.length >= CLICKS_ASKED && found.circle !== null);
          // Both ends of a shaft were rough clicks of one search.
          const rough = what === "shaft" ? [keyOf("shaft_proximal", side), keyOf("shaft_distal", side)] : [key];
          if (decided) commit(applySnap(now.current.state, side, { ...found, found: true }, rough), `found ${labelOf(key)}`);
          else {
            setChosen(null);
            say(`${found.says} Your click stays; drag it to where it belongs.`);
          }
        },
        (error: unknown) => {
          // The click stays as the reader's own, and the guide goes on.
          setSnapping(false);
          setChosen(null);
          say(error instanceof Error ? error.message : String(error));
        },
      );
    },
    [film, commit, labelOf],
  );

  const placeWanted = useCallback(
    (key: string, at: ImagePoint) => {
      const landmark = landmarks.get(nameOf(key));
      const side = sideOf(key);
      const next = placePoint(now.current.state, key, at);
      commit(next, `placed ${labelOf(key)}`);
      setSkipped((all) => new Set([...all].filter((other) => other !== key)));
      const what = landmark?.snaps_with ?? null;
      if (!what || !side) return setChosen(null);
      if (what === "neck" && !next.circles[headKey(side)]) return setChosen(null);
      if (what === "shaft") {
        const ends = [next.points[keyOf("shaft_proximal", side)], next.points[keyOf("shaft_distal", side)]];
        if (!ends[0] || !ends[1]) return setChosen(null);
        setChosen(key);
        return snap(what, side, key, ends.map((end) => fromWire(end as [number, number])), next);
      }
      setChosen(key);
      snap(what, side, key, [at], next);
    },
    [landmarks, commit, labelOf, snap],
  );

  const click = useCallback(
    (at: ImagePoint, target: string | null) => {
      const { mode, selected, state } = now.current;
      if (mode.name === "asking") {
        const clicks = [...mode.clicks, at];
        if (clicks.length < CLICKS_ASKED) return setMode({ ...mode, clicks });
        setMode({ name: "place" });
        return snap(mode.what, mode.side, mode.key, clicks, state);
      }
      if (mode.name === "outline") {
        const first = mode.corners[0];
        const reach = 12 / (control.view.get()?.zoom ?? 1);
        if (first && mode.corners.length > 2 && distance(first, at) < reach) {
          commit(setOutline(state, mode.key, mode.corners), `outlined ${labelOf(mode.key)}`);
          setChosen(mode.key);
          return setMode({ name: "place" });
        }
        return setMode({ ...mode, corners: [...mode.corners, at] });
      }
      if (mode.name === "place" && selected && !(selected in state.points) && order.includes(selected)) {
        // While a mark is wanted a click places it, on a circle or an outline too; only a press right on a mark chooses that one.
        const under = target?.startsWith("point:") ? state.points[keyOfTarget(target)] : undefined;
        const near = under && distance(fromWire(under), at) * (control.view.get()?.zoom ?? 1) <= RIGHT_ON_PX;
        if (!near) return placeWanted(selected, at);
      }
      if (target?.startsWith("edge:")) {
        const [, key = "", index = "0"] = target.split(":");
        const corners = (state.outlines[key] ?? []).map(fromWire);
        return commit(setOutline(state, key, insertCorner(corners, Number(index), at)), `added a corner to ${labelOf(key)}`);
      }
      if (target !== null) return setChosen(keyOfTarget(target));
      if (!selected) return;
      // A second click on bare film tries again for a mark that was found and not accepted; a reader's own mark stays.
      if (state.found.includes(selected)) placeWanted(selected, at);
      else setChosen(null);
    },
    [snap, commit, control, placeWanted, labelOf, order],
  );

  const hit = useCallback((at: ImagePoint, reach: number): string | null => {
    const { state, mode, selected } = now.current;
    if (mode.name !== "place") return null;
    let best: { target: string; distance: number } | null = null;
    for (const [key, point] of Object.entries(state.points)) {
      const away = distance(fromWire(point), at);
      if (away <= reach && (!best || away < best.distance)) best = { target: `point:${key}`, distance: away };
    }
    if (best) return best.target;
    for (const [key, corners] of Object.entries(state.outlines)) {
      if (!isDrawn(key)) continue;
      const corner = nearestCorner(corners, at);
      if (corner.distance <= reach) return `corner:${key}:${corner.index}`;
      const edge = nearestEdge(corners, at);
      if (edge.distance <= reach * 0.6) return selected === key ? `edge:${key}:${edge.index}` : `outline:${key}`;
    }
    for (const [key, circle] of Object.entries(state.circles)) {
      if (Math.abs(distance([circle[0], circle[1]], at) - circle[2]) <= reach * 0.6) return `rim:${key}`;
    }
    return null;
  }, []);

  const tool: FilmTool = useMemo(
    () => ({
      hit,
      click,
      places: true,
      begin: (target) => {
        held.current = { state: now.current.state, moved: false };
        setChosen(keyOfTarget(target));
      },
      drag: (target, start, at) => {
        held.current.moved = true;
        show(dragged(held.current.state, target, start, at));
      },
      end: (target) => {
        if (held.current.moved) commit(now.current.state, `moved ${labelOf(keyOfTarget(target))}`);
      },
      abandon: () => show(held.current.state),
    }),
    [hit, click, show, commit, labelOf],
  );

  const select = useCallback(
    (key: string | null) => {
      setChosen(key);
      const point = key ? now.current.state.points[key] : undefined;
      if (point) control.reveal(fromWire(point));
    },
    [control],
  );

  const acceptSelected = useCallback(() => {
    const { selected, state } = now.current;
    if (!selected) return;
    const next = accept(state, selected);
    if (next !== state) commit(next, `accepted ${labelOf(selected)}`);
    setChosen(null);
  }, [commit, labelOf]);

  const skip = useCallback(
    (step: 1 | -1): boolean => {
      const { selected, state } = now.current;
      const all = stops(state, order, todo);
      const index = selected ? all.indexOf(selected) : -1;
      const next = all[index < 0 ? (step === 1 ? 0 : all.length - 1) : index + step];
      if (next === undefined) return false;
      if (selected && !(selected in state.points)) setSkipped((old) => new Set([...old, selected]));
      select(next);
      return true;
    },
    [order, todo, select],
  );

  const removeSelected = useCallback(() => {
    const { selected, state, mode } = now.current;
    if (mode.name === "outline") return setMode({ ...mode, corners: mode.corners.slice(0, -1) });
    if (!selected) return;
    commit(remove(state, selected), `took away ${labelOf(selected)}`);
    setChosen(selected in state.points ? selected : null);
  }, [commit, labelOf]);

  const nudge = useCallback(
    (columns: number, rows: number) => {
      const { selected, state } = now.current;
      const point = selected ? state.points[selected] : undefined;
      if (!selected || !point) return;
      const px = scale === null ? NUDGE_PX : NUDGE_MM / scale;
      const down = px / control.shape.rowFactor;
      show(placePoint(state, selected, imagePoint(point[0] + columns * px, point[1] + rows * down)));
      setChosen(selected);
      if (nudging.current) clearTimeout(nudging.current);
      nudging.current = setTimeout(() => {
        nudging.current = null;
        commit(now.current.state, `nudged ${labelOf(selected)}`);
      }, NUDGES_JOIN_MS);
    },
    [scale, control, show, commit, labelOf],
  );

  const beginOutline = useCallback((name: string, side: Side, closed: boolean) => {
    const key = keyOf(name, side);
    if (now.current.state.outlines[key]) return setChosen(key);
    setMode({ name: "outline", key, closed, corners: [] });
  }, []);

  const closeOutline = useCallback(() => {
    const { mode, state } = now.current;
    if (mode.name !== "outline") return;
    const least = mode.closed ? 3 : 2;
    if (mode.corners.length < least) return say(`This outline needs ${least} corners; it has ${mode.corners.length}.`);
    commit(setOutline(state, mode.key, mode.corners), `outlined ${labelOf(mode.key)}`);
    setChosen(mode.key);
    setMode({ name: "place" });
  }, [commit, labelOf]);

  return {
    tool,
    mode,
    selected,
    snapping,
    saidOf: (key) => said[key] ?? null,
    select,
    acceptSelected,
    skip,
    removeSelected,
    nudge,
    beginOutline,
    closeOutline,
    backToPlace: () => setMode({ name: "place" }),
  };
}

/** Outlines that a person draws and edits; the edges a snap used are shown but not dragged. */
const isDrawn = (key: string): boolean => /^(lesion|collapse|crescent)/.test(nameOf(key));

const keyOfTarget = (target: string): string => {
  const [kind = "", key = ""] = target.split(":");
  if (kind !== "rim") return key;
  const side = sideOf(key);
  return side && nameOf(key) === "head" ? keyOf("head_centre", side) : key;
};

function dragged(base: ReadingState, target: string, start: ImagePoint, at: ImagePoint): ReadingState {
  const [kind = "", key = "", index = "0"] = target.split(":");
  const move = [at[0] - start[0], at[1] - start[1]] as const;
  if (kind === "point") {
    const from = base.points[key];
    return from ? placePoint(base, key, imagePoint(from[0] + move[0], from[1] + move[1])) : base;
  }
  if (kind === "corner") {
    const corners = (base.outlines[key] ?? []).map(fromWire);
    const from = corners[Number(index)];
    return from ? setOutline(base, key, moveCorner(corners, Number(index), imagePoint(from[0] + move[0], from[1] + move[1]))) : base;
  }
  if (kind === "edge" || kind === "outline") {
    const corners = (base.outlines[key] ?? []).map((corner) => imagePoint(corner[0] + move[0], corner[1] + move[1]));
    return setOutline(base, key, corners);
  }
  const side = sideOf(key);
  const circle = base.circles[key] as ImageCircle | undefined;
  if (kind !== "rim" || !circle || !side) return base;
  const grown = circle[2] + distance([circle[0], circle[1]], at) - distance([circle[0], circle[1]], start);
  return placeCircle(base, side, imageCircle(circle[0], circle[1], Math.max(2, grown)));
}
