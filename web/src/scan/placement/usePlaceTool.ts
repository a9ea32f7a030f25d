/**
 * Dragging a component and a cup on slices of a scan: its body slides in the plane, an end of its wire turns it, its cut
 * slides it along its own axis. The hand leads: what is drawn follows at once, numbers follow as they arrive.
 */

import { useMemo, useRef } from "preact/hooks";
import type { PlacementIn, SpaceView } from "../../api/schema";
import { contains, toSegment } from "../../film/geometry/shapes";
import type { Part } from "../../film/model/placement";
import type { PlacementWork } from "../../film/placement/usePlacement";
import { middleAt, type PlaneLook, type PlaneName, toPane } from "../geometry/plane";
import type { MeshData } from "../geometry/section";
import { dot, sub, type Vec } from "../geometry/vec";
import type { ScanControl } from "../model/control";
import { axisOf, moved, originOf, rounded, turned } from "../model/place";
import type { PaneTool } from "../pane/ScanPane";
import { componentOn, cupOn, cutOn, heldTo, turnOn } from "./slices";

/** Half the length of a cut drawn across a slice, mm. */
export const CUT_HALF_MM = 30;
/** A wire's end is a handle where it lies this near to the slice, mm: as drawn. */
export const WIRE_NEAR_MM = 6;
const REACH_PX = 12;
const CUT_REACH_PX = 6;
/** A hand's tremor is not kept: places and angles are rounded to this. */
const HAND_MM = 0.1;
const HAND_DEG = 0.1;

interface Options {
  readonly work: PlacementWork;
  /** The placement as drawn now. */
  readonly view: SpaceView;
  readonly mesh: MeshData | null;
  readonly control: ScanControl;
  readonly onPart: (part: Part) => void;
}

const WHAT: Readonly<Record<string, string>> = { turn: "turned the component", cut: "moved the cut", component: "moved the component", cup: "moved the cup" };

export function usePlaceTool(options: Options): PaneTool {
  const now = useRef(options);
  now.current = options;
  const held = useRef<{ placement: PlacementIn; view: SpaceView } | null>(null);
  return useMemo<PaneTool>(() => {
    const placed = (name: PlaneName, target: string, start: Vec, at: Vec): PlacementIn | null => {
      const look = now.current.control.look(name).get();
      if (!held.current || !look) return null;
      const { placement, view } = held.current;
      const by = sub(at, start);
      if (target === "turn") return rounded(turned(placement, view.hip_axes, look.facing.normal, turnOn(look.facing, originOf(view), start, at)), HAND_MM, HAND_DEG);
      if (target === "cup") return moved(placement, "cup", view.hip_axes, by);
      return rounded(moved(placement, "component", view.hip_axes, target === "cut" ? heldTo(by, axisOf(view)) : by), HAND_MM, HAND_DEG);
    };
    return {
      hit: (_name, at, _space, look) => targetAt(now.current, at, look),
      click: (_name, target) => now.current.onPart(target === "cup" ? "cup" : "component"),
      begin: (_name, target) => {
        const { work, view } = now.current;
        if (!work.placement) return;
        held.current = { placement: work.placement, view };
        now.current.onPart(target === "cup" ? "cup" : "component");
      },
      drag: (name, target, start, space) => {
        const next = placed(name, target, start, space);
        if (next) now.current.work.show(next);
      },
      end: (_name, target) => {
        const { placement } = now.current.work;
        if (held.current && placement) now.current.work.commit(placement, WHAT[target] ?? "moved");
        held.current = null;
      },
      abandon: () => {
        if (held.current) now.current.work.show(held.current.placement);
        held.current = null;
      },
    };
  }, []);
}

function targetAt({ view, mesh, control }: Options, at: readonly [number, number], look: PlaneLook): string | null {
  const through = control.cross.get();
  const slice = { point: middleAt(look, through), normal: look.facing.normal };
  const near = (a: readonly [number, number], b: readonly [number, number]): number => Math.hypot(a[0] - b[0], a[1] - b[1]);
  const wire = view.wire.filter((end) => Math.abs(dot(sub(end, slice.point), slice.normal)) < WIRE_NEAR_MM);
  if (wire.some((end) => near(toPane(look, end), at) <= REACH_PX)) return "turn";
  const cut = cutOn(view, slice, CUT_HALF_MM);
  if (cut) {
    const [a, b] = [toPane(look, cut[0]), toPane(look, cut[1])];
    if (near(a, at) <= REACH_PX || near(b, at) <= REACH_PX || toSegment(at, a, b).distance <= CUT_REACH_PX) return "cut";
  }
  const rings = mesh ? componentOn(mesh, view, slice) : [];
  if (rings.some((ring) => ring.closed && contains(ring.points.map((point) => toPane(look, point)), at))) return "component";
  // A cup is taken hold of by its shell: inside it lies the head.
  const shell = cupOn(view, slice).flatMap((ring) => ring.points.map((point) => toPane(look, point)));
  return shell.some((point) => near(point, at) <= REACH_PX) ? "cup" : null;
}
