/** Corrections of the outlines by hand: brush, eraser, cut plane, fill; each stroke one step. */

import { useMemo, useRef, useState } from "preact/hooks";
import type { EditIn } from "../../api/schema";
import { store, type Store } from "../../model/store";
import type { Facing, PlaneName } from "../geometry/plane";
import { MOST_POINTS, thinned } from "../geometry/stroke";
import { along, cross, distance, dot, scale, sub, turnedAbout, unit, type Vec, wire } from "../geometry/vec";
import type { ScanControl } from "../model/control";
import type { PaneTool } from "../pane/ScanPane";

export type Tool = "look" | "brush" | "eraser" | "cut" | "fill";
export type Label = EditIn["label"];

export const LABELS: readonly { label: Label; words: string }[] = [
  { label: "femur", words: "femur" },
  { label: "pelvis", words: "pelvis" },
  { label: "lesion", words: "dead bone" },
];

/** Radii in mm that the size keys step through, by tool. */
const SIZES: Readonly<Record<"brush" | "eraser" | "fill", readonly number[]>> = {
  brush: [0.5, 1, 1.5, 2, 3, 4, 6, 8, 12],
  eraser: [0.5, 1, 1.5, 2, 3, 4, 6, 8, 12],
  fill: [4, 6, 8, 12, 16, 24],
};

export interface Stroke {
  readonly plane: PlaneName;
  readonly points: readonly Vec[];
}

export interface PlaneCut {
  readonly plane: PlaneName;
  readonly a: Vec;
  readonly b: Vec;
  /** Direction in which the label goes away. */
  readonly normal: Vec;
}

export interface Corrections {
  readonly tool: Tool;
  readonly label: Label;
  readonly radius_mm: number;
  /** Only the slice that is painted on, not a ball. */
  readonly flat: boolean;
  readonly stroke: Store<Stroke | null>;
  readonly cut: Store<PlaneCut | null>;
  readonly paneTool: PaneTool;
  readonly use: (tool: Tool) => void;
  readonly choose: (label: Label) => void;
  readonly resize: (by: 1 | -1) => void;
  readonly setFlat: (flat: boolean) => void;
  /** The tool at the crosshair, in the pane that keys mean. */
  readonly applyHere: () => void;
  readonly swap: () => void;
  readonly turnCut: (deg: number) => void;
  readonly takeAway: () => void;
}

const words: Readonly<Record<Label, string>> = { femur: "femur", pelvis: "pelvis", lesion: "dead bone" };

export function useCorrections(control: ScanControl, correct: (edit: EditIn, what: string) => void): Corrections {
  const [tool, setTool] = useState<Tool>("look");
  const [label, setLabel] = useState<Label>("femur");
  const [sizes, setSizes] = useState({ brush: 3, eraser: 3, fill: 12 });
  const [flat, setFlat] = useState(false);
  const stroke = useMemo(() => store<Stroke | null>(null), []);
  const cut = useMemo(() => store<PlaneCut | null>(null), []);
  const radius = tool === "look" || tool === "cut" ? 0 : sizes[tool];
  const now = useRef({ tool, label, radius, flat, correct });
  now.current = { tool, label, radius, flat, correct };

  const facingOf = (name: PlaneName): Facing | null => control.look(name).get()?.facing ?? null;
  const send = (name: PlaneName, points: readonly Vec[]): void => {
    const { tool, label, radius, flat, correct } = now.current;
    const facing = facingOf(name);
    if (tool === "look" || tool === "cut" || points.length === 0) return;
    if (tool === "fill") return correct({ tool, label, points: points.slice(0, 1).map(wire), radius_mm: radius, normal: null }, `filled ${words[label]}`);
    const kept = thinned(points, Math.min(0.5, radius / 4), MOST_POINTS).map(wire);
    correct({ tool, label, points: kept, radius_mm: radius, normal: flat && facing ? wire(facing.normal) : null }, tool === "brush" ? `painted ${words[label]}` : `erased ${words[label]}`);
  };
  const cutOf = (name: PlaneName, a: Vec, b: Vec, before: Vec | null): PlaneCut | null => {
    const facing = facingOf(name);
    if (!facing || distance(a, b) < 1) return null;
    const normal = unit(cross(facing.normal, sub(b, a)));
    return { plane: name, a, b, normal: before && dot(before, normal) < 0 ? scale(normal, -1) : normal };
  };

  const paneTool = useMemo<PaneTool>(
    () => ({
      hit: () => (now.current.tool === "look" ? null : now.current.tool),
      click: (name, target, at) => {
        if (target !== "cut") send(name, [at]);
      },
      begin: (name, target, at) => {
        if (target === "brush" || target === "eraser") stroke.set({ plane: name, points: [at] });
      },
      drag: (name, target, start, at) => {
        if (target === "cut") cut.set(cutOf(name, start, at, cut.get()?.normal ?? null));
        else if (target === "fill") return;
        else stroke.set((before) => ({ plane: name, points: [...(before?.points ?? []), at] }));
      },
      end: (name, target) => {
        const drawn = stroke.get();
        stroke.set(null);
        if ((target === "brush" || target === "eraser") && drawn) send(name, drawn.points);
      },
      abandon: (_name, target) => {
        if (target === "cut") cut.set(null);
        else stroke.set(null);
      },
      ring_mm: radius > 0 ? radius : null,
      ...(tool === "look" ? {} : { cursor: "crosshair" }),
    }),
    [control, tool, radius],
  );

  const active = (): PlaneName => control.active.get();
  return {
    tool,
    label,
    radius_mm: radius,
    flat,
    stroke,
    cut,
    paneTool,
    use: (next) => {
      cut.set(null);
      stroke.set(null);
      setTool(next);
    },
    choose: setLabel,
    resize: (by) => {
      if (tool === "look" || tool === "cut") return;
      const all = SIZES[tool];
      const at = all.findIndex((size) => size >= sizes[tool]);
      setSizes({ ...sizes, [tool]: all[Math.min(all.length - 1, Math.max(0, at + by))] ?? sizes[tool] });
    },
    setFlat,
    applyHere: () => {
      const here = control.cross.get();
      const facing = facingOf(active());
      if (tool === "cut" && facing) cut.set(cutOf(active(), along(here, facing.right, -20), along(here, facing.right, 20), null));
      else send(active(), [here]);
    },
    swap: () => cut.set((before) => before && { ...before, normal: scale(before.normal, -1) }),
    turnCut: (deg) =>
      cut.set((before) => {
        const facing = before ? facingOf(before.plane) : null;
        if (!before || !facing) return before;
        const middle = scale([before.a[0] + before.b[0], before.a[1] + before.b[1], before.a[2] + before.b[2]], 0.5);
        const turn = (p: Vec): Vec => {
          const from = turnedAbout(sub(p, middle), facing.normal, deg);
          return [middle[0] + from[0], middle[1] + from[1], middle[2] + from[2]];
        };
        return { ...before, a: turn(before.a), b: turn(before.b), normal: turnedAbout(before.normal, facing.normal, deg) };
      }),
    takeAway: () => {
      const plane = cut.get();
      if (!plane) return;
      cut.set(null);
      correct({ tool: "cut", label, points: [wire(plane.a)], radius_mm: null, normal: wire(plane.normal) }, `cut ${words[label]}`);
    },
  };
}
