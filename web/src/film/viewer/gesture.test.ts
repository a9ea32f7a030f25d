import { describe, expect, it } from "vitest";
import { screenPoint } from "../geometry/types";
import { type GestureEffect, type GestureEvent, type GestureState, IDLE, STILL_PX, step } from "./gesture";

const down = (given: Partial<Extract<GestureEvent, { type: "down" }>> = {}): GestureEvent => ({
  type: "down",
  pointer: 1,
  at: screenPoint(100, 100),
  button: 0,
  shift: false,
  light: false,
  target: null,
  ...given,
});
const move = (x: number, y: number, pointer = 1): GestureEvent => ({ type: "move", pointer, at: screenPoint(x, y) });
const up = (x: number, y: number, pointer = 1): GestureEvent => ({ type: "up", pointer, at: screenPoint(x, y) });

function play(events: readonly GestureEvent[]): { state: GestureState; effects: GestureEffect[] } {
  let state: GestureState = IDLE;
  const effects: GestureEffect[] = [];
  for (const event of events) {
    const next = step(state, event);
    state = next.state;
    effects.push(...next.effects);
  }
  return { state, effects };
}

describe("one pointer on one film", () => {
  it("a press that trembles is a click where it began", () => {
    const { state, effects } = play([down(), move(100 + STILL_PX, 100), up(103, 101)]);
    expect(effects).toEqual([{ type: "click", at: [100, 100], target: null }]);
    expect(state.name).toBe("idle");
  });

  it("a press on bare film that travels slides the film and clicks nothing", () => {
    const { effects } = play([down(), move(120, 100), move(140, 110), up(140, 110)]);
    expect(effects.map((effect) => effect.type)).toEqual(["start", "drag", "drag", "end"]);
    expect(effects.every((effect) => effect.type !== "click" && effect.kind === "pan")).toBe(true);
  });

  it("a press on a mark drags the mark from where it was pressed", () => {
    const { effects } = play([down({ target: "point:right.teardrop" }), move(130, 100), up(130, 100)]);
    expect(effects[1]).toMatchObject({ type: "drag", kind: "thing", target: "point:right.teardrop", start: [100, 100], at: [130, 100] });
  });

  it("secondary button and light mode change the window, even over a mark", () => {
    for (const given of [{ button: 2 }, { light: true }]) {
      const { effects } = play([down({ ...given, target: "x" }), move(150, 150), up(150, 150)]);
      expect(effects[0]).toMatchObject({ kind: "window" });
      expect(play([down({ ...given, target: "x" }), up(100, 100)]).effects).toEqual([]);
    }
  });

  it("middle button and Shift slide the film, even over a mark", () => {
    for (const given of [{ button: 1 }, { shift: true }]) {
      expect(play([down({ ...given, target: "x" }), move(150, 150)]).effects[0]).toMatchObject({ kind: "pan" });
    }
  });

  it("cancel ends in idle from every state, and tells a drag to take itself back", () => {
    expect(play([{ type: "cancel" }])).toEqual({ state: IDLE, effects: [] });
    expect(play([down(), { type: "cancel" }])).toEqual({ state: IDLE, effects: [] });
    const { state, effects } = play([down({ target: "x" }), move(150, 150), { type: "cancel" }]);
    expect(state).toEqual(IDLE);
    expect(effects.at(-1)).toEqual({ type: "abandon", kind: "thing", target: "x" });
  });

  it("after a cancel the hand that is still down does nothing more", () => {
    const { effects } = play([down({ target: "x" }), move(150, 150), { type: "cancel" }, move(200, 200), up(200, 200)]);
    expect(effects.filter((effect) => effect.type === "drag")).toHaveLength(1);
  });

  it("a second pointer does not take over", () => {
    const { state } = play([down({ target: "x" }), move(150, 150), down({ pointer: 2, target: "y" }), move(0, 0, 2), up(0, 0, 2)]);
    expect(state).toMatchObject({ name: "dragging", pointer: 1, target: "x" });
  });
});
