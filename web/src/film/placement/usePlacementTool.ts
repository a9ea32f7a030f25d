/**
 * Dragging a component and a cup on a film.
 *
 * Handles lie where the server drew them: the cut line's ends slide the part
 * along its own axis, the far end of the axis turns it, its body slides it
 * freely. The browser knows no shapes of its own.
 */

import { useMemo, useRef } from "preact/hooks";
import type { Drawing, PlacementIn } from "../../api/schema";
import { along, type FilmFrame, moveInMm, turnDeg } from "../geometry/frame";
import { contains, crossing, nearestEdge } from "../geometry/shapes";
import { distance, type ImagePoint } from "../geometry/types";
import { type Film, type Part, slid, turned } from "../model/placement";
import type { FilmTool } from "../viewer/FilmViewer";
import type { PlacementWork } from "./usePlacement";

type XY = readonly [number, number];

export interface Anatomy {
  readonly cut: readonly [XY, XY] | null;
  readonly axis: readonly [XY, XY] | null;
  readonly pivot: XY | null;
  readonly bodies: readonly (readonly XY[])[];
  readonly cups: readonly (readonly XY[])[];
}

/** The parts of a drawing that a hand can take hold of. */
export function anatomyOf(drawing: Drawing | null): Anatomy {
  const shapes = drawing?.shapes ?? [];
  const line = (role: string): readonly [XY, XY] | null => {
    const points = shapes.find((shape) => shape.role === role)?.points;
    const a = points?.[0];
    const b = points?.at(-1);
    return a && b && points.length > 1 ? [a, b] : null;
  };
  const cut = line("cut");
  const drawn = line("axis");
  const pivot = cut && drawn ? crossing(cut[0], cut[1], drawn[0], drawn[1]) : cut ? [(cut[0][0] + cut[1][0]) / 2, (cut[0][1] + cut[1][1]) / 2] as const : null;
  return {
    cut,
    axis: drawn,
    pivot,
    bodies: shapes.filter((shape) => shape.role === "component").map((shape) => shape.points),
    cups: shapes.filter((shape) => shape.role === "cup").map((shape) => shape.points),
  };
}

interface Options {
  readonly work: PlacementWork;
  readonly drawing: Drawing | null;
  readonly frame: FilmFrame | null;
  readonly film: Film;
  readonly onPart: (part: Part) => void;
}

/** Turns finer than a hand's tremor are not kept: degrees are rounded to this. */
const TURN_STEP_DEG = 0.1;

export function usePlacementTool({ work, drawing, frame, film, onPart }: Options): FilmTool {
  const held = useRef<{ placement: PlacementIn; anatomy: Anatomy } | null>(null);
  const now = useRef({ work, drawing, frame });
  now.current = { work, drawing, frame };
  return useMemo<FilmTool>(() => {
    const placed = (target: string, start: ImagePoint, at: ImagePoint): PlacementIn | null => {
      const { frame } = now.current;
      if (!held.current || !frame) return null;
      const { placement, anatomy } = held.current;
      const move = [at[0] - start[0], at[1] - start[1]] as const;
      if (target === "turn" && anatomy.pivot) {
        const by = turnDeg(frame, anatomy.pivot, start, at);
        return turned(placement, "component", film, Math.round(by / TURN_STEP_DEG) * TURN_STEP_DEG);
      }
      if (target === "cut" && anatomy.axis) {
        const only = film === "ap" ? along(move, anatomy.axis[0], anatomy.axis[1]) : move;
        const [first, second] = moveInMm(frame, only[0], only[1]);
        return slid(placement, "component", film, first, second);
      }
      const [first, second] = moveInMm(frame, move[0], move[1]);
      return slid(placement, target === "cup" ? "cup" : "component", film, first, second);
    };
    return {
      hit: (at, reach) => {
        if (!now.current.frame) return null;
        const { cut, axis, bodies, cups } = anatomyOf(now.current.drawing);
        if (axis && axisEnds(axis).some((end) => distance(end, at) <= reach)) return "turn";
        if (cut && cut.some((end) => distance(end, at) <= reach)) return "cut";
        if (cut && nearestEdge([cut[0], cut[1]], at).distance <= reach * 0.5) return "cut";
        if (bodies.some((body) => contains(body, at))) return "component";
        return cups.some((cup) => contains(cup, at)) ? "cup" : null;
      },
      click: (_at, target) => {
        if (target) onPart(target === "cup" ? "cup" : "component");
      },
      begin: (target) => {
        const { placement } = now.current.work;
        if (!placement) return;
        held.current = { placement, anatomy: anatomyOf(now.current.drawing) };
        onPart(target === "cup" ? "cup" : "component");
      },
      drag: (target, start, at) => {
        const next = placed(target, start, at);
        if (next) now.current.work.show(next);
      },
      end: (target) => {
        const { placement } = now.current.work;
        if (held.current && placement) now.current.work.commit(placement, WHAT[target] ?? "moved");
        held.current = null;
      },
      abandon: () => {
        if (held.current) now.current.work.show(held.current.placement);
        held.current = null;
      },
    };
  }, [film, onPart]);
}

/** Either end of the axis turns the part. */
export const axisEnds = (axis: readonly [XY, XY]): readonly XY[] => axis;

const WHAT: Readonly<Record<string, string>> = {
  turn: "turned the component",
  cut: "moved the cut",
  component: "moved the component",
  cup: "moved the cup",
};
