/** A placement drawn on its film by the drawing rules: steel component, violet cut, heavy seat, dashed dead bone. */

import type { ComponentChildren, JSX } from "preact";
import type { Drawing, PlacementIn, Shape } from "../../api/schema";
import { pathOf } from "../../geometry/path";
import { clockwiseSign, type FilmFrame, moveInPx } from "../geometry/frame";
import { centroid } from "../geometry/shapes";
import { distance, fromWire, type ScreenPoint } from "../geometry/types";
import { toScreen, type Viewport } from "../geometry/viewport";
import { type Film, type Moved, movedBetween, type Part } from "../model/placement";
import { CASING, Handle, Line, Words } from "../viewer/marks";
import { anatomyOf, axisEnds } from "./usePlacementTool";

interface PlacementMarksProps {
  view: Viewport;
  drawing: Drawing | null;
  /** The placement the drawing belongs to, and the one the hand is at. */
  drawnFor: PlacementIn | null;
  placement: PlacementIn | null;
  frame: FilmFrame | null;
  film: Film;
  part: Part;
  /** Words beside a role where the drawing brings none. */
  labels: Readonly<Record<string, string>>;
  small?: boolean;
}

/** Which part a drawn role moves with; the rest is the patient's. */
const MOVES: Readonly<Record<string, Part>> = {
  component: "component",
  seat_sound: "component",
  seat_unsound: "component",
  cut: "component",
  axis: "component",
  wall: "component",
  cup: "cup",
};

/** Dead bone stays in sight over the steel that would stand on it. */
const OVER = new Set(["dead", "uncertain"]);

const ORDER = ["pelvis", "bone", "cortex", "removed", "cup", "component", "axis", "seat_sound", "seat_unsound", "wall", "cut"];

export function PlacementMarks({ view, drawing, drawnFor, placement, frame, film, part, labels, small = false }: PlacementMarksProps): JSX.Element | null {
  if (!drawing) return null;
  const shapes = [...drawing.shapes].sort((a, b) => ORDER.indexOf(a.role) - ORDER.indexOf(b.role));
  const anatomy = anatomyOf(drawing);
  const pivot = anatomy.pivot ? toScreen(view, anatomy.pivot) : null;
  const shift = (which: Part): string | undefined => {
    if (!drawnFor || !placement || !frame) return undefined;
    return follow(movedBetween(drawnFor, placement, which, film), view, frame, pivot);
  };
  const moves: Record<Part, string | undefined> = { component: shift("component"), cup: shift("cup") };
  // The first axis of a drawing is the component's own; the others are the patient's.
  const own = drawing.shapes.find((shape) => shape.role === "axis");
  const partOf = (shape: Shape): Part | null => (shape.role === "axis" && shape !== own ? null : (MOVES[shape.role] ?? null));
  const of = (which: Part | null): Shape[] => shapes.filter((shape) => partOf(shape) === which).map((shape) => ({ ...shape, label: shape.label ?? (partOf(shape) === null && shape.role === "axis" ? null : (labels[shape.role] ?? null)) }));
  return (
    <>
      {of(null)
        .filter((shape) => !OVER.has(shape.role))
        .map((shape, i) => (
          <Drawn key={i} shape={shape} view={view} small={small} patient />
        ))}
      <g transform={moves.cup}>
        {of("cup").map((shape, i) => (
          <Drawn key={i} shape={shape} view={view} small={small} chosen={part === "cup"} />
        ))}
      </g>
      <g transform={moves.component}>
        {of("component").map((shape, i) => (
          <Drawn key={i} shape={shape} view={view} small={small} chosen={part === "component"} pivot={pivot} />
        ))}
        {anatomy.axis && axisEnds(anatomy.axis).map((end, i) => <Handle key={i} at={toScreen(view, end)} colour="var(--ink)" />)}
        {anatomy.cut?.map((end, i) => (
          <Handle key={i} at={toScreen(view, end)} />
        ))}
        {pivot && <Pivot at={pivot} />}
      </g>
      {of(null)
        .filter((shape) => OVER.has(shape.role))
        .map((shape, i) => (
          <Drawn key={i} shape={shape} view={view} small={small} />
        ))}
    </>
  );
}

/** A drawing follows the hand until the drawing of the new place arrives. */
export function follow(moved: Moved, view: Viewport, frame: FilmFrame, pivot: ScreenPoint | null): string | undefined {
  const [columns, rows] = moveInPx(frame, moved.first_mm, moved.second_mm);
  const [dx, dy] = [columns * view.zoom, rows * view.zoom * view.rowFactor];
  if (dx === 0 && dy === 0 && moved.turn_deg === 0) return undefined;
  const turn = moved.turn_deg * clockwiseSign(frame);
  const slide = `translate(${dx.toFixed(2)} ${dy.toFixed(2)})`;
  return pivot && turn !== 0 ? `${slide} rotate(${turn.toFixed(3)} ${pivot[0].toFixed(2)} ${pivot[1].toFixed(2)})` : slide;
}

function Pivot({ at: [x, y] }: { at: ScreenPoint }): JSX.Element {
  return (
    <g>
      <path d={`M${x - 11} ${y}h22M${x} ${y - 11}v22`} stroke={CASING} stroke-width="4" stroke-opacity=".5" />
      <path d={`M${x - 11} ${y}h22M${x} ${y - 11}v22`} stroke="var(--ink)" stroke-width="1.2" />
      <circle cx={x} cy={y} r="3.5" fill="var(--ink)" />
    </g>
  );
}

interface DrawnProps {
  shape: Shape;
  view: Viewport;
  small: boolean;
  chosen?: boolean;
  /** The patient's own: an axis of bone, not of steel. */
  patient?: boolean;
  /** Where the axis crosses the cut: its far end lies in the shaft. */
  pivot?: ScreenPoint | null;
}

function Drawn({ shape, view, small, chosen = false, patient = false, pivot = null }: DrawnProps): JSX.Element | null {
  const points = shape.points.map((point) => toScreen(view, fromWire(point)));
  if (points.length === 0) return null;
  const d = pathOf(points, shape.closed);
  const label = small ? null : shape.label;
  switch (shape.role) {
    case "component":
    case "cup":
      return (
        <Labelled words={label} at={top(points)} dy={-10}>
          <path d={d} fill="none" stroke={CASING} stroke-width="5" stroke-opacity=".45" stroke-linejoin="round" />
          <path d={d} fill="var(--steel)" fill-opacity={shape.role === "cup" ? 0.3 : 0.46} stroke="var(--ink)" stroke-width={chosen ? 1.9 : 1.3} stroke-linejoin="round" />
        </Labelled>
      );
    case "seat_sound":
      return <Line points={points} width={3.4} casing={false} />;
    case "seat_unsound":
      return <Line points={points} width={3.4} colour="var(--outside)" dash="4 3" casing={false} />;
    case "cut": {
      const [a, b] = [points[0] ?? ([0, 0] as const), points.at(-1) ?? ([0, 0] as const)];
      const low = a[1] > b[1] ? a : b;
      const other = low === a ? b : a;
      const rightward = low[0] >= other[0];
      return (
        <Labelled words={label} at={[low[0] + (rightward ? 14 : -14), low[1] + 5]} anchor={rightward ? "start" : "end"} colour="var(--mark)" size={14.5}>
          <Line points={points} colour="var(--mark)" width={2.6} />
        </Labelled>
      );
    }
    case "axis": {
      // Beside the far end, in the shaft: the near end lies under the cup.
      const [a, b] = [points[0] ?? ([0, 0] as const), points.at(-1) ?? ([0, 0] as const)];
      const end = pivot === null || distance(a, pivot) > distance(b, pivot) ? a : b;
      const other = end === a ? b : a;
      const level = Math.abs(end[1] - other[1]) < Math.abs(end[0] - other[0]) * 0.5;
      const rightward = end[0] >= other[0];
      return (
        <Labelled words={label} at={level ? [end[0], end[1] + 48] : [end[0] + (rightward ? -12 : 12), end[1] + 24]} anchor={level === rightward ? "end" : level ? "start" : rightward ? "end" : "start"}>
          {patient ? <Line points={points} width={0.9} dash="2 5" colour="var(--ink-2)" casing={false} /> : <Line points={points} width={1.1} dash="10 4 2 4" />}
        </Labelled>
      );
    }
    case "dead":
      return (
        <Labelled words={label} at={centroid(points)} size={12.5}>
          <Line points={points} closed={shape.closed} width={1.3} dash="5 4" />
        </Labelled>
      );
    case "wall": {
      const end = points.at(-1) ?? ([0, 0] as const);
      const at = [end[0] + 62, end[1] + 62] as const;
      return (
        <>
          <Line points={points} width={4.5} casing={false} />
          {label && (
            <>
              <Line points={[end, at]} width={1} casing={false} />
              <Words at={[at[0] + 4, at[1] + 10]} anchor="start" size={13.5} weight={640}>
                {label}
              </Words>
            </>
          )}
        </>
      );
    }
    case "removed":
      return <Line points={points} closed={shape.closed} width={1.1} dash="4 3" colour="var(--ghost)" casing={false} />;
    case "uncertain":
      return <Line points={points} closed={shape.closed} width={1.2} dash="1 4" casing={false} />;
    case "pelvis":
      return <Line points={points} closed={shape.closed} width={1} dash="1 4" colour="var(--ink-2)" casing={false} />;
    default:
      return <Line points={points} closed={shape.closed} width={0.9} opacity={0.55} casing={false} />;
  }
}

interface LabelledProps {
  words: string | null | undefined;
  at: readonly [number, number];
  dy?: number;
  anchor?: "start" | "middle" | "end";
  colour?: string;
  size?: number;
  children: ComponentChildren;
}

function Labelled({ words, at, dy = 0, anchor = "middle", colour = "var(--ink)", size = 13, children }: LabelledProps): JSX.Element {
  return (
    <>
      {children}
      {words && (
        <Words at={[at[0], at[1] + dy]} anchor={anchor} colour={colour} size={size}>
          {words}
        </Words>
      )}
    </>
  );
}

const top = (points: readonly ScreenPoint[]): readonly [number, number] =>
  points.reduce<readonly [number, number]>((best, point) => (point[1] < best[1] ? point : best), points[0] ?? [0, 0]);
