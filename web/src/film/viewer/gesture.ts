/**
 * One pointer on one canvas: idle → pointing → dragging, and back.
 *
 * A small machine with no DOM: events in, next state and effects out. Escape,
 * lost focus and a lost pointer all send `cancel`, which always ends in idle
 * and tells the page to take back what the drag had changed.
 */

import { distance, type ScreenPoint } from "../geometry/types";

/** What a press lands on: `null` is bare film. Pages give their own names. */
export type Target = string | null;

export type DragKind = "thing" | "pan" | "window";

export type GestureState =
  | { readonly name: "idle" }
  | {
      readonly name: "pointing";
      readonly pointer: number;
      readonly kind: DragKind;
      readonly target: Target;
      readonly start: ScreenPoint;
      readonly clicks: boolean;
    }
  | {
      readonly name: "dragging";
      readonly pointer: number;
      readonly kind: DragKind;
      readonly target: Target;
      readonly start: ScreenPoint;
      readonly last: ScreenPoint;
    };

export type GestureEvent =
  | {
      readonly type: "down";
      readonly pointer: number;
      readonly at: ScreenPoint;
      readonly button: number;
      readonly shift: boolean;
      readonly light: boolean;
      readonly target: Target;
    }
  | { readonly type: "move"; readonly pointer: number; readonly at: ScreenPoint }
  | { readonly type: "up"; readonly pointer: number; readonly at: ScreenPoint }
  | { readonly type: "cancel" };

export type GestureEffect =
  | { readonly type: "click"; readonly at: ScreenPoint; readonly target: Target }
  | { readonly type: "start"; readonly kind: DragKind; readonly target: Target; readonly at: ScreenPoint }
  | {
      readonly type: "drag";
      readonly kind: DragKind;
      readonly target: Target;
      readonly start: ScreenPoint;
      readonly last: ScreenPoint;
      readonly at: ScreenPoint;
    }
  | { readonly type: "end"; readonly kind: DragKind; readonly target: Target; readonly at: ScreenPoint }
  | { readonly type: "abandon"; readonly kind: DragKind; readonly target: Target };

export const IDLE: GestureState = { name: "idle" };

/** A hand that clicks moves up to this far, CSS px. */
export const STILL_PX = 4;

const none: readonly GestureEffect[] = [];

/** Which drag a press begins: secondary button or the light mode changes the window, middle button or Shift slides the film. */
export function kindOf(event: { button: number; shift: boolean; light: boolean; target: Target }): DragKind {
  if (event.button === 2 || (event.light && event.button === 0)) return "window";
  if (event.button === 1 || event.shift || event.target === null) return "pan";
  return "thing";
}

export function step(
  state: GestureState,
  event: GestureEvent,
): { readonly state: GestureState; readonly effects: readonly GestureEffect[] } {
  if (event.type === "cancel") {
    if (state.name !== "dragging") return { state: IDLE, effects: none };
    return { state: IDLE, effects: [{ type: "abandon", kind: state.kind, target: state.target }] };
  }
  if (state.name === "idle") {
    if (event.type !== "down") return { state, effects: none };
    const { pointer, target, at: start } = event;
    const clicks = event.button === 0 && !event.shift && !event.light;
    return { state: { name: "pointing", pointer, kind: kindOf(event), target, start, clicks }, effects: none };
  }
  // A second finger or button does not take over a drag that is under way.
  if (event.type === "down" || event.pointer !== state.pointer) return { state, effects: none };
  const { pointer, kind, target, start } = state;
  if (event.type === "move") {
    if (state.name === "pointing") {
      if (distance(event.at, start) <= STILL_PX) return { state, effects: none };
      const dragging: GestureState = { name: "dragging", pointer, kind, target, start, last: event.at };
      return {
        state: dragging,
        effects: [
          { type: "start", kind, target, at: start },
          { type: "drag", kind, target, start, last: start, at: event.at },
        ],
      };
    }
    return {
      state: { ...state, last: event.at },
      effects: [{ type: "drag", kind, target, start, last: state.last, at: event.at }],
    };
  }
  if (state.name === "pointing") {
    return { state: IDLE, effects: state.clicks ? [{ type: "click", at: start, target }] : none };
  }
  return { state: IDLE, effects: [{ type: "end", kind, target, at: event.at }] };
}
