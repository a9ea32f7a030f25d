/**
 * One slice of a scan on screen: greys and outlines below, crosshair and marks above, one pointer.
 *
 * Draws state and holds none but the gesture under way; what is looked at is the `ScanControl`'s.
 */

import type { ComponentChildren, JSX } from "preact";
import { useEffect, useLayoutEffect, useMemo, useRef } from "preact/hooks";
import { screenPoint, type ScreenPoint } from "../../film/geometry/types";
import { greyTable, type Voi } from "../../film/grey/voi";
import { type GestureEffect, type GestureState, IDLE, step } from "../../film/viewer/gesture";
import { CASING, ScaleBar, Words } from "../../film/viewer/marks";
import { useStore } from "../../parts/hooks";
import type { Grid } from "../geometry/grid";
import { type Facing, letterOf, type PlaneLook, type PlaneName, toPane, toSpace } from "../geometry/plane";
import { dot, scale, type Vec } from "../geometry/vec";
import type { SliceRenderer } from "../grey/card";
import { type Outlined, stepsOf, TABLE_ZERO } from "../grey/reslice";
import { type ScanControl, ZOOM_STEP } from "../model/control";
import { drawOutlines, type OutlineColours } from "./outlines";

/** What a page does with the pointer. A press on nothing of its own moves the crosshair. */
export interface PaneTool {
  /** What lies at a place; null for the scan itself. */
  hit: (name: PlaneName, at: ScreenPoint, space: Vec, look: PlaneLook) => string | null;
  click?: (name: PlaneName, target: string, space: Vec) => void;
  begin?: (name: PlaneName, target: string, space: Vec) => void;
  drag?: (name: PlaneName, target: string, start: Vec, space: Vec) => void;
  end?: (name: PlaneName, target: string) => void;
  abandon?: (name: PlaneName, target: string) => void;
  /** Pointer over the pane: a ring of this radius follows it (a brush), mm. */
  ring_mm?: number | null;
  cursor?: string;
}

export interface PaneShared {
  readonly grid: Grid;
  readonly control: ScanControl;
  readonly slices: SliceRenderer | null;
  readonly labels: Uint8Array | null;
  readonly colours: OutlineColours;
  readonly hidden?: ReadonlySet<Outlined>;
  /** "Right hip", on every picture. */
  readonly side: string;
  readonly wait?: string | null;
}

interface PaneProps extends PaneShared {
  name: PlaneName;
  title: string;
  facing: Facing;
  tool?: PaneTool;
  marks?: (look: PlaneLook, cross: Vec, name: PlaneName) => JSX.Element | null;
  children?: ComponentChildren;
}

export function ScanPane(props: PaneProps): JSX.Element {
  const { name, title, facing, control, side, tool, marks, children } = props;
  const box = useRef<HTMLDivElement>(null);
  const ring = useRef<SVGCircleElement>(null);
  useLayoutEffect(() => {
    const element = box.current;
    if (!element) return;
    const measure = (): void => control.place(name, facing, element.clientWidth, element.clientHeight);
    const watch = new ResizeObserver(measure);
    watch.observe(element);
    measure();
    return () => watch.disconnect();
  }, [control, facing, name]);
  const hands = usePaneHands(box, ring, name, control, tool);
  const active = useStore(control.active) === name;
  const light = useStore(control.light);
  return (
    <div class={`sp${active ? " on" : ""}${light ? " light" : ""}`} ref={box} tabIndex={0} role="application" aria-label={`${side}, ${title} plane of the scan`} data-plane={name} style={tool?.cursor ? { cursor: tool.cursor } : undefined} {...hands}>
      <PaneCanvas {...props} />
      <PaneMarks name={name} title={title} control={control} side={side} marks={marks} ring={ring} ring_mm={tool?.ring_mm ?? null} />
      {children}
    </div>
  );
}

function PaneCanvas({ name, control, grid, slices, labels, colours, hidden, wait }: PaneProps): JSX.Element {
  const canvas = useRef<HTMLCanvasElement>(null);
  useEffect(() => {
    const element = canvas.current;
    const onto = element?.getContext("2d", { alpha: false });
    if (!element || !onto || !slices) return;
    element.dataset["drawnBy"] = slices.kind;
    let asked = 0;
    let last = "";
    const draw = (): void => {
      asked = 0;
      const look = control.look(name).get();
      if (!look) return;
      const cross = control.cross.get();
      const voi = control.voi.get();
      // The crosshair may move inside its own slice: then there is nothing to draw anew.
      const now = [dot(cross, look.facing.normal).toFixed(3), look.pxPerMm, look.anchor, look.width, look.height, look.facing.right, voi.center, voi.width, control.inverted.get()].join();
      if (now === last) return;
      last = now;
      const began = performance.now();
      const ratio = slices.kind === "processor" ? 1 : window.devicePixelRatio || 1;
      const [width, height] = [Math.round(look.width * ratio), Math.round(look.height * ratio)];
      if (element.width !== width || element.height !== height) [element.width, element.height] = [width, height];
      onto.setTransform(1, 0, 0, 1, 0, 0);
      slices.setTable(tableOf(control));
      slices.draw(onto, stepsOf(grid, look, cross, 1 / ratio), width, height);
      onto.setTransform(ratio, 0, 0, ratio, 0, 0);
      if (labels) drawOutlines(onto, labels, grid, look, cross, colours, hidden);
      element.dataset["ms"] = (performance.now() - began).toFixed(1);
    };
    const ask = (): void => {
      if (asked === 0) asked = requestAnimationFrame(draw);
    };
    const ends = [control.look(name).watch(ask), control.cross.watch(ask), control.voi.watch(ask), control.inverted.watch(ask)];
    draw();
    return () => {
      ends.forEach((end) => end());
      cancelAnimationFrame(asked);
    };
  }, [control, name, grid, slices, labels, colours, hidden]);
  return (
    <>
      <canvas ref={canvas} class="fv-grey" aria-hidden="true" />
      {!slices && wait && <p class="fv-wait">{wait}</p>}
    </>
  );
}

let table: { key: string; greys: Uint8ClampedArray } | null = null;

/** One table for all panes: it is the same window. */
function tableOf(control: ScanControl): Uint8ClampedArray {
  const voi = control.voi.get();
  const key = `${voi.center} ${voi.width} ${control.inverted.get()}`;
  if (table?.key !== key) table = { key, greys: greyTable(voi, 1, -TABLE_ZERO, control.inverted.get()) };
  return table.greys;
}

/** Half the gap in the crosshair's middle: the place itself stays in sight. */
const GAP_PX = 9;

function PaneMarks({ name, title, control, side, marks, ring, ring_mm }: { name: PlaneName; title: string; control: ScanControl; side: string; marks: PaneProps["marks"]; ring: { current: SVGCircleElement | null }; ring_mm: number | null }): JSX.Element | null {
  const look = useStore(control.look(name));
  const cross = useStore(control.cross);
  if (!look) return null;
  const { width, height, facing } = look;
  const [x, y] = toPane(look, cross);
  const lines = `M0 ${y}H${x - GAP_PX}M${x + GAP_PX} ${y}H${width}M${x} 0V${y - GAP_PX}M${x} ${y + GAP_PX}V${height}`;
  return (
    <>
      <svg class="fv-marks" width={width} height={height} aria-hidden="true">
        {marks?.(look, cross, name)}
        <path d={lines} stroke={CASING} stroke-width="3" stroke-opacity=".35" />
        <path d={lines} class="sp-cross" />
        {ring_mm !== null && <circle ref={ring} r={ring_mm * look.pxPerMm} cx={x} cy={y} class="sp-ring" />}
        <Words at={[9, height / 2 + 5]} size={14} weight={700} anchor="start">{letterOf(scale(facing.right, -1))}</Words>
        <Words at={[width - 9, height / 2 + 5]} size={14} weight={700} anchor="end">{letterOf(facing.right)}</Words>
        <Words at={[width / 2, 18]} size={14} weight={700}>{letterOf(scale(facing.down, -1))}</Words>
        <Words at={[width / 2, height - 8]} size={14} weight={700}>{letterOf(facing.down)}</Words>
        <ScaleBar pxPerMm={look.pxPerMm} width={width} height={height} small />
      </svg>
      <p class="sp-name" aria-hidden="true">
        <b>{side}</b> {title}
      </p>
    </>
  );
}

function usePaneHands(box: { current: HTMLDivElement | null }, ring: { current: SVGCircleElement | null }, name: PlaneName, control: ScanControl, tool: PaneTool | undefined) {
  const state = useRef<GestureState>(IDLE);
  const now = useRef(tool);
  now.current = tool;
  const voiAtStart = useRef<Voi>(control.voi.get());
  const startSpace = useRef<Vec>([0, 0, 0]);
  const crossBefore = useRef<Vec>([0, 0, 0]);
  const wheel = useRef(0);
  return useMemo(() => {
    const place = (event: { clientX: number; clientY: number }): ScreenPoint => {
      const edge = box.current?.getBoundingClientRect();
      return screenPoint(event.clientX - (edge?.left ?? 0), event.clientY - (edge?.top ?? 0));
    };
    const space = (at: ScreenPoint): Vec => {
      const look = control.look(name).get();
      return look ? toSpace(look, control.cross.get(), at) : [0, 0, 0];
    };
    const targetAt = (at: ScreenPoint): string => {
      const look = control.look(name).get();
      return (look && now.current?.hit(name, at, space(at), look)) ?? CROSS;
    };
    const onEffect = (effect: GestureEffect): void => {
      const page = now.current;
      const target = effect.target ?? CROSS;
      if (effect.type === "click") {
        if (target === CROSS) control.pointAt(name, effect.at);
        else page?.click?.(name, target, space(effect.at));
      } else if (effect.kind === "pan") {
        if (effect.type === "drag") control.slide(name, effect.at[0] - effect.last[0], effect.at[1] - effect.last[1]);
      } else if (effect.kind === "window") {
        if (effect.type === "start") voiAtStart.current = control.voi.get();
        if (effect.type === "drag") control.dragWindow(name, voiAtStart.current, [effect.at[0] - effect.start[0], effect.at[1] - effect.start[1]]);
        if (effect.type === "abandon") control.voi.set(voiAtStart.current);
      } else if (target === CROSS) {
        if (effect.type === "start") crossBefore.current = control.cross.get();
        if (effect.type === "drag") control.pointAt(name, effect.at);
        if (effect.type === "abandon") control.cross.set(crossBefore.current);
      } else if (effect.type === "start") {
        startSpace.current = space(effect.at);
        page?.begin?.(name, target, startSpace.current);
      } else if (effect.type === "drag") page?.drag?.(name, target, startSpace.current, space(effect.at));
      else if (effect.type === "end") page?.end?.(name, target);
      else page?.abandon?.(name, target);
    };
    const send = (event: Parameters<typeof step>[1]): void => {
      const next = step(state.current, event);
      state.current = next.state;
      next.effects.forEach(onEffect);
      if (box.current) box.current.dataset["hand"] = next.state.name === "dragging" ? next.state.kind : next.state.name;
    };
    const cancel = (): void => send({ type: "cancel" });
    const follow = (at: ScreenPoint): void => {
      ring.current?.setAttribute("cx", String(at[0]));
      ring.current?.setAttribute("cy", String(at[1]));
    };
    return {
      onFocus: () => control.active.set(name),
      onPointerDown: (event: PointerEvent) => {
        if ((event.target as Element).closest("button, input, .fv-panel")) return;
        box.current?.focus({ preventScroll: true });
        box.current?.setPointerCapture(event.pointerId);
        const at = place(event);
        send({ type: "down", pointer: event.pointerId, at, button: event.button, shift: event.shiftKey, light: control.light.get(), target: targetAt(at) });
      },
      onPointerMove: (event: PointerEvent) => {
        const at = place(event);
        follow(at);
        if (state.current.name !== "idle") send({ type: "move", pointer: event.pointerId, at });
        else if (box.current) box.current.dataset["over"] = targetAt(at) === CROSS ? "scan" : "thing";
      },
      onPointerUp: (event: PointerEvent) => send({ type: "up", pointer: event.pointerId, at: place(event) }),
      onPointerCancel: cancel,
      onLostPointerCapture: cancel,
      onBlur: cancel,
      onContextMenu: (event: Event) => event.preventDefault(),
      onKeyDown: (event: KeyboardEvent) => {
        if (event.key !== "Escape" || state.current.name === "idle") return;
        event.preventDefault();
        cancel();
      },
      onWheel: (event: WheelEvent) => {
        event.preventDefault();
        control.active.set(name);
        const notches = event.deltaMode === 1 ? event.deltaY / 3 : event.deltaY / 100;
        if (event.ctrlKey || event.metaKey) return control.zoom(ZOOM_STEP ** -Math.max(-3, Math.min(3, notches)), name, place(event));
        // A touchpad sends many small notches: whole slices are counted out of them.
        wheel.current += notches;
        const whole = Math.trunc(wheel.current);
        wheel.current -= whole;
        if (whole !== 0) control.turnSlices(name, Math.max(-10, Math.min(10, whole)));
      },
    };
  }, [control, name]);
}

const CROSS = "cross";
