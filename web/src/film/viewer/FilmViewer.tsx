/**
 * A film on screen: grey levels below, marks above, one pointer.
 *
 * Draws state and holds none but the gesture under way. What is being looked at
 * is the `ViewControl`'s; what the marks mean is the page's.
 */

import type { ComponentChildren, JSX } from "preact";
import { useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import type { GreyInfo } from "../../api/schema";
import { useStore } from "../../parts/hooks";
import { type ImagePoint, type MmPerPx, type ScreenPoint, screenPoint } from "../geometry/types";
import { toImage, type Viewport } from "../geometry/viewport";
import { ProcessorRenderer } from "../grey/processor";
import type { Pyramid } from "../grey/pyramid";
import type { GreyRenderer } from "../grey/renderer";
import { greyFilm } from "../grey/source";
import { greyTable } from "../grey/voi";
import { WebglRenderer } from "../grey/webgl";
import { type ViewControl, ZOOM_STEP } from "./control";
import { type GestureEffect, type GestureState, IDLE, step, type Target } from "./gesture";
import { LightPanel } from "./LightPanel";
import { ScaleBar, SideWord } from "./marks";

/** What a page does with the pointer. Points are film pixels. */
export interface FilmTool {
  /** What lies within `reach` film columns of a point; null for bare film. */
  hit: (at: ImagePoint, reach: number) => Target;
  click?: (at: ImagePoint, target: Target) => void;
  begin?: (target: string, at: ImagePoint) => void;
  drag?: (target: string, start: ImagePoint, at: ImagePoint) => void;
  end?: (target: string) => void;
  /** Escape or lost focus: take the drag back. */
  abandon?: (target: string) => void;
  /** The pointer over bare film: a click places something. */
  places?: boolean;
}

interface FilmViewerProps {
  filmId: string;
  grey: GreyInfo;
  control: ViewControl;
  says: string;
  /** Words in the top corners; null where a side is not known. */
  corners: { left: string | null; right: string | null; open?: boolean };
  scale: MmPerPx | null;
  tool?: FilmTool;
  /** Marks, drawn in CSS pixels. */
  marks?: (view: Viewport) => JSX.Element;
  /** A small film beside a large one: its bar says less. */
  small?: boolean;
  children?: ComponentChildren;
}

/** How near a mark a press counts as on it, CSS px. */
const REACH_PX = 12;

export function FilmViewer({ filmId, grey, control, says, corners, scale, tool, marks, small = false, children }: FilmViewerProps): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const [film, setFilm] = useState<Pyramid | null>(null);
  const [failed, setFailed] = useState<string | null>(null);
  const [turn, setTurn] = useState(0);
  useEffect(() => {
    let current = true;
    setFailed(null);
    greyFilm(filmId, grey).then(
      (got) => current && setFilm(got),
      (error: unknown) => current && setFailed(error instanceof Error ? error.message : String(error)),
    );
    return () => {
      current = false;
    };
  }, [filmId, turn]);
  useLayoutEffect(() => {
    const element = box.current;
    if (!element) return;
    const measure = (): void => control.resize({ width: element.clientWidth, height: element.clientHeight });
    const watch = new ResizeObserver(measure);
    watch.observe(element);
    measure();
    return () => watch.disconnect();
  }, [control]);
  const hands = useGesture(box, control, tool);
  const light = useStore(control.light);
  return (
    <div class={`fv${light ? " light" : ""}`} ref={box} tabIndex={0} role="application" aria-label={says} {...hands}>
      {film ? <GreyCanvas film={film} grey={grey} control={control} /> : null}
      {!film && <p class="fv-wait">{failed ?? "The film is being opened."}</p>}
      {failed && (
        <button type="button" class="btn fv-again" onClick={() => setTurn((n) => n + 1)}>
          Open it again
        </button>
      )}
      <Marks control={control} scale={scale} marks={marks} small={small} />
      {corners.left && <SideWord at="left" words={corners.left} open={corners.open ?? false} />}
      {corners.right && <SideWord at="right" words={corners.right} open={corners.open ?? false} />}
      {light && <LightPanel control={control} options={grey.voi} />}
      {children}
    </div>
  );
}

function Marks({ control, scale, marks, small }: { control: ViewControl; scale: MmPerPx | null; marks: FilmViewerProps["marks"]; small: boolean }): JSX.Element | null {
  const view = useStore(control.view);
  if (!view) return null;
  const { width, height } = control.canvas;
  return (
    <svg class="fv-marks" width={width} height={height} data-view={`${view.zoom} ${view.x} ${view.y} ${view.rowFactor}`} aria-hidden="true">
      {marks?.(view)}
      <ScaleBar pxPerMm={scale === null ? null : view.zoom / scale} width={width} height={height} small={small} />
    </svg>
  );
}

/** The canvas. When the graphics card is taken away the processor goes on, on a fresh canvas. */
function GreyCanvas({ film, grey, control }: { film: Pyramid; grey: GreyInfo; control: ViewControl }): JSX.Element {
  const canvas = useRef<HTMLCanvasElement>(null);
  const [plain, setPlain] = useState(false);
  useLayoutEffect(() => {
    const element = canvas.current;
    if (!element) return;
    const renderer = rendererFor(element, plain);
    if (!renderer) {
      setPlain(true);
      return;
    }
    element.dataset["drawnBy"] = renderer.kind;
    renderer.load(film);
    const table = new Uint8ClampedArray(65536);
    let asked = 0;
    let stale = true;
    const draw = (): void => {
      asked = 0;
      const view = control.view.get();
      if (!view) return;
      const began = performance.now();
      // The processor draws one grey a CSS pixel: on a dense screen four times the work would cost the smooth drag.
      const ratio = renderer.kind === "processor" ? 1 : window.devicePixelRatio || 1;
      const width = Math.round(control.canvas.width * ratio);
      const height = Math.round(control.canvas.height * ratio);
      if (element.width !== width || element.height !== height) {
        element.width = width;
        element.height = height;
      }
      if (stale) {
        renderer.setTable(greyTable(control.voi.get(), grey.slope, grey.intercept, control.inverted.get(), table));
        stale = false;
      }
      renderer.draw(view, ratio);
      if (!element.dataset["shown"]) performance.mark("film shown");
      element.dataset["shown"] = "true";
      element.dataset["drawMs"] = (performance.now() - began).toFixed(1);
    };
    const ask = (): void => {
      if (asked === 0) asked = requestAnimationFrame(draw);
    };
    const grey_changed = (): void => {
      stale = true;
      ask();
    };
    const ends = [control.view.watch(ask), control.voi.watch(grey_changed), control.inverted.watch(grey_changed)];
    const lost = (event: Event): void => {
      event.preventDefault();
      setPlain(true);
    };
    element.addEventListener("webglcontextlost", lost);
    draw();
    return () => {
      element.removeEventListener("webglcontextlost", lost);
      ends.forEach((end) => end());
      cancelAnimationFrame(asked);
      renderer.dispose();
    };
  }, [film, control, plain]);
  return <canvas key={plain ? "processor" : "card"} ref={canvas} class="fv-grey" aria-hidden="true" />;
}

/** `?draw=card` or `?draw=processor` chooses by hand: for a hospital's own comparison, and for tests. */
function rendererFor(canvas: HTMLCanvasElement, plain: boolean): GreyRenderer | null {
  const asked = new URLSearchParams(window.location.search).get("draw");
  if (plain || asked === "processor") return new ProcessorRenderer(canvas);
  try {
    return new WebglRenderer(canvas, asked === "card");
  } catch {
    return null;
  }
}

/** How near a word in a corner the pointer makes it clear, CSS px: a letter burned into the film may lie behind it. */
const NEAR_WORD_PX = 24;

function lookBehind(viewer: HTMLElement | null, pointer: { clientX: number; clientY: number } | null): void {
  for (const word of viewer?.querySelectorAll(".fv-side, .fv-key") ?? []) {
    const box = word.getBoundingClientRect();
    const near = pointer !== null && pointer.clientX > box.left - NEAR_WORD_PX && pointer.clientX < box.right + NEAR_WORD_PX && pointer.clientY > box.top - NEAR_WORD_PX && pointer.clientY < box.bottom + NEAR_WORD_PX;
    word.classList.toggle("seen", near);
  }
}

/** Pointer, wheel and lost focus of one canvas, as effects on the page's tool and the control. */
function useGesture(box: { current: HTMLDivElement | null }, control: ViewControl, tool: FilmTool | undefined) {
  const state = useRef<GestureState>(IDLE);
  const now = useRef(tool);
  now.current = tool;
  const voiAtStart = useRef(control.voi.get());
  return useMemo(() => {
    const place = (event: { clientX: number; clientY: number }): ScreenPoint => {
      const edge = box.current?.getBoundingClientRect();
      return screenPoint(event.clientX - (edge?.left ?? 0), event.clientY - (edge?.top ?? 0));
    };
    const film = (at: ScreenPoint): ImagePoint => {
      const view = control.view.get();
      return view ? toImage(view, at) : ([0, 0] as unknown as ImagePoint);
    };
    const targetAt = (at: ScreenPoint): Target => {
      const view = control.view.get();
      return view && now.current ? now.current.hit(toImage(view, at), REACH_PX / view.zoom) : null;
    };
    const onEffect = (effect: GestureEffect): void => {
      const page = now.current;
      if (effect.type === "click") page?.click?.(film(effect.at), effect.target);
      else if (effect.kind === "pan") {
        if (effect.type === "drag") control.slide(effect.at[0] - effect.last[0], effect.at[1] - effect.last[1]);
      } else if (effect.kind === "window") {
        if (effect.type === "start") voiAtStart.current = control.voi.get();
        if (effect.type === "drag") control.dragWindow(voiAtStart.current, [effect.at[0] - effect.start[0], effect.at[1] - effect.start[1]]);
        if (effect.type === "abandon") control.voi.set(voiAtStart.current);
      } else if (effect.target !== null) {
        if (effect.type === "start") page?.begin?.(effect.target, film(effect.at));
        else if (effect.type === "drag") page?.drag?.(effect.target, film(effect.start), film(effect.at));
        else if (effect.type === "end") page?.end?.(effect.target);
        else page?.abandon?.(effect.target);
      }
    };
    const send = (event: Parameters<typeof step>[1]): void => {
      const next = step(state.current, event);
      state.current = next.state;
      next.effects.forEach(onEffect);
      if (box.current) box.current.dataset["hand"] = next.state.name === "dragging" ? next.state.kind : next.state.name;
    };
    const cancel = (): void => send({ type: "cancel" });
    return {
      onPointerDown: (event: PointerEvent) => {
        if ((event.target as Element).closest(".fv-panel, .btn")) return;
        box.current?.focus({ preventScroll: true });
        box.current?.setPointerCapture(event.pointerId);
        const at = place(event);
        send({ type: "down", pointer: event.pointerId, at, button: event.button, shift: event.shiftKey, light: control.light.get(), target: targetAt(at) });
      },
      onPointerMove: (event: PointerEvent) => {
        const at = place(event);
        control.pointAt(at);
        lookBehind(box.current, event);
        if (state.current.name !== "idle") send({ type: "move", pointer: event.pointerId, at });
        else if (box.current) box.current.dataset["over"] = targetAt(at) !== null ? "thing" : now.current?.places ? "places" : "film";
      },
      onPointerUp: (event: PointerEvent) => send({ type: "up", pointer: event.pointerId, at: place(event) }),
      onPointerCancel: cancel,
      onLostPointerCapture: cancel,
      onPointerLeave: () => {
        control.pointAt(null);
        lookBehind(box.current, null);
      },
      onBlur: cancel,
      onContextMenu: (event: Event) => event.preventDefault(),
      onKeyDown: (event: KeyboardEvent) => {
        if (event.key !== "Escape" || state.current.name === "idle") return;
        event.preventDefault();
        cancel();
      },
      onWheel: (event: WheelEvent) => {
        if ((event.target as Element).closest(".fv-panel")) return;
        event.preventDefault();
        // One notch of a wheel is about 100 px; a touchpad sends many small ones.
        const notches = event.deltaMode === 1 ? event.deltaY / 3 : event.deltaY / 100;
        control.zoom(ZOOM_STEP ** -Math.max(-3, Math.min(3, notches)), place(event));
      },
    };
  }, [control]);
}
