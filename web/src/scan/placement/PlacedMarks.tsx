/** A placement on a slice: steel section, heavy seat, violet cut, head, cup and wire. */

import type { JSX } from "preact";
import { useMemo } from "preact/hooks";
import type { SpaceView } from "../../api/schema";
import { CASING, Handle, Line, Words } from "../../film/viewer/marks";
import { pathOf } from "../../geometry/path";
import type { Part } from "../../film/model/placement";
import { beyond, middleAt, type PlaneLook, toPane } from "../geometry/plane";
import type { MeshData } from "../geometry/section";
import type { Vec } from "../geometry/vec";
import { componentOn, cupOn, cutOn, headOn, type Ring, seatOn } from "./slices";
import { CUT_HALF_MM, WIRE_NEAR_MM } from "./usePlaceTool";

/** Seat points this near to the slice are drawn, mm. */
const SEAT_NEAR_MM = 0.9;
const WALL_NEAR_MM = 2;

interface PlacedMarksProps {
  view: SpaceView;
  mesh: MeshData | null;
  look: PlaneLook;
  cross: Vec;
  part: Part;
  cut_words: string | null;
  wall_words: string | null;
}

export function PlacedMarks({ view, mesh, look, cross, part, cut_words, wall_words }: PlacedMarksProps): JSX.Element {
  const { facing } = look;
  const point = middleAt(look, cross);
  const key = [facing.normal, point].flat().map((x) => x.toFixed(3)).join();
  const on = useMemo(() => {
    const slice = { point, normal: facing.normal };
    return { component: mesh ? componentOn(mesh, view, slice) : [], cup: cupOn(view, slice), head: headOn(view, slice), cut: cutOn(view, slice, CUT_HALF_MM), seat: seatOn(view, slice, SEAT_NEAR_MM) };
  }, [mesh, view, key]);
  const to = (at: Vec): readonly [number, number] => toPane(look, at);
  const path = (ring: Ring): string => pathOf(ring.points.map(to), ring.closed);
  const wire = view.wire.map(to);
  const ends = view.wire.filter((end) => Math.abs(beyond(facing, cross, end)) < WIRE_NEAR_MM);
  const wall = view.least_wall_at;
  const low = on.cut ? [to(on.cut[0]), to(on.cut[1])].sort((a, b) => b[1] - a[1])[0] : undefined;
  return (
    <g>
      {on.cup.map((ring, i) => (
        <g key={i} fill="none">
          <path d={path(ring)} stroke={CASING} stroke-width="6" stroke-opacity=".5" />
          <path d={path(ring)} stroke="var(--steel)" stroke-width={part === "cup" ? 3.6 : 2.6} />
        </g>
      ))}
      {on.head.map((ring, i) => (
        <path key={i} d={path(ring)} fill="none" stroke="var(--steel)" stroke-width="1.1" stroke-dasharray="5 3" />
      ))}
      {on.component.length > 0 && (
        <g stroke-linejoin="round">
          <path d={on.component.map(path).join("")} fill="none" stroke={CASING} stroke-width="4" stroke-opacity=".5" />
          <path d={on.component.map(path).join("")} class="pl-steel" fill="var(--steel)" fill-opacity=".5" fill-rule="evenodd" stroke="var(--ink)" stroke-width={part === "component" ? 1.7 : 1.2} />
        </g>
      )}
      <Dots points={on.seat.sound.map(to)} colour="var(--ink)" />
      <Dots points={on.seat.unsound.map(to)} colour="var(--outside)" />
      {wire[0] && wire[1] && ends.length > 0 && <Line points={[wire[0], wire[1]]} width={1.1} dash="9 3 2 3" />}
      {on.cut && <Line points={[to(on.cut[0]), to(on.cut[1])]} width={2} colour="var(--mark)" />}
      {on.cut && on.cut.map((end, i) => <Handle key={i} at={to(end)} />)}
      {ends.map((end, i) => (
        <Handle key={i} at={to(end)} colour="var(--ink)" />
      ))}
      {low && cut_words && (
        <Words at={[Math.max(46, Math.min(look.width - 46, low[0])), Math.min(look.height - 34, low[1] + 22)]} colour="var(--mark)" size={13}>
          {cut_words}
        </Words>
      )}
      {wall && Math.abs(beyond(facing, cross, wall)) < WALL_NEAR_MM && <Wall at={to(wall)} words={wall_words} look={look} />}
    </g>
  );
}

function Dots({ points, colour }: { points: readonly (readonly [number, number])[]; colour: string }): JSX.Element | null {
  if (points.length === 0) return null;
  const d = points.map(([x, y]) => `M${x.toFixed(1)} ${y.toFixed(1)}h0`).join("");
  return (
    <g fill="none" stroke-linecap="round">
      <path d={d} stroke={CASING} stroke-width="5.4" stroke-opacity=".55" />
      <path d={d} stroke={colour} stroke-width="3.4" />
    </g>
  );
}

function Wall({ at: [x, y], words, look }: { at: readonly [number, number]; words: string | null; look: PlaneLook }): JSX.Element {
  const left = x > look.width / 2;
  return (
    <g>
      <circle cx={x} cy={y} r="5.5" fill="none" stroke={CASING} stroke-width="4.4" stroke-opacity=".7" />
      <circle cx={x} cy={y} r="5.5" fill="none" stroke="var(--near)" stroke-width="2" />
      {words && (
        <Words at={[x + (left ? -11 : 11), y + 4.5]} anchor={left ? "end" : "start"} size={12} colour="var(--near)">
          {words}
        </Words>
      )}
    </g>
  );
}
