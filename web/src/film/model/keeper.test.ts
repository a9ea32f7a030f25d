import { describe, expect, it } from "vitest";
import { NotReached, Stopped } from "../../api/client";
import { Keeper, type KeeperState, reconcile, type Step } from "./keeper";

interface Answer {
  step: number;
}

function memory(): { getItem: (key: string) => string | null; setItem: (key: string, value: string) => void; removeItem: (key: string) => void; all: Map<string, string> } {
  const all = new Map<string, string>();
  return { all, getItem: (key) => all.get(key) ?? null, setItem: (key, value) => void all.set(key, value), removeItem: (key) => void all.delete(key) };
}

/** A server that counts steps and can be switched off. */
function server() {
  const got: Step<string>[] = [];
  const state = { step: 0, down: false };
  return {
    got,
    state,
    send: (step: Step<string>): Promise<Answer> => {
      if (state.down) return Promise.reject(new NotReached("nobody"));
      if (step.base !== state.step) return Promise.reject(new Stopped(409, { stopped: "a later step", guard: null, detail: null }));
      got.push(step);
      state.step += 1;
      return Promise.resolve({ step: state.step });
    },
  };
}

const soon = (): Promise<void> => new Promise((resolve) => setTimeout(resolve, 0));

describe("keeping every step", () => {
  it("sends them in order, each on the answer to the one before", async () => {
    const there = server();
    const keeper = new Keeper<string, Answer>({ key: "k", store: memory(), send: there.send });
    for (const what of ["a", "b", "c"]) keeper.add({ state: what, what, base: 0 });
    await keeper.settled();
    expect(there.got.map((step) => [step.state, step.base])).toEqual([["a", 0], ["b", 1], ["c", 2]]);
  });

  it("holds what was not acknowledged in the store, and takes it out when it was", async () => {
    const there = server();
    const store = memory();
    there.state.down = true;
    const waits: number[] = [];
    const keeper = new Keeper<string, Answer>({ key: "k", store, send: there.send, wait: (ms) => { waits.push(ms); return soon(); } });
    keeper.add({ state: "a", what: "a", base: 0 });
    await soon();
    await soon();
    expect(JSON.parse(store.all.get("k") ?? "[]")).toHaveLength(1);
    there.state.down = false;
    await keeper.settled();
    expect(store.all.has("k")).toBe(false);
    expect(there.got).toHaveLength(1);
    expect(waits[0]).toBeLessThan(waits[1] ?? Infinity);
  });

  it("a new page sends what the old one could not", async () => {
    const there = server();
    const store = memory();
    store.setItem("k", JSON.stringify([{ state: "left", what: "x", base: 0 }]));
    const keeper = new Keeper<string, Answer>({ key: "k", store, send: there.send });
    expect(keeper.left).toHaveLength(1);
    keeper.resume();
    await keeper.settled();
    expect(there.got[0]?.state).toBe("left");
  });

  it("stops at a refusal, keeps the step, and goes on when a person says so", async () => {
    const there = server();
    const store = memory();
    there.state.step = 5;
    const states: KeeperState[] = [];
    const keeper = new Keeper<string, Answer>({ key: "k", store, send: there.send });
    keeper.heard({ onKept: () => undefined, onState: (state) => states.push(state) });
    keeper.add({ state: "mine", what: "x", base: 2 });
    await soon();
    expect(states.at(-1)).toMatchObject({ name: "stopped", says: "a later step" });
    expect(store.all.has("k")).toBe(true);
    keeper.resume(5);
    await keeper.settled();
    expect(there.got.map((step) => step.state)).toEqual(["mine"]);
    expect(states.at(-1)).toEqual({ name: "kept" });
  });

  it("goes on sending when the page that listened is closed", async () => {
    const there = server();
    const keeper = new Keeper<string, Answer>({ key: "k", store: memory(), send: there.send });
    const deaf = keeper.heard({ onKept: () => { throw new Error("closed"); }, onState: () => { throw new Error("closed"); } });
    deaf();
    keeper.add({ state: "a", what: "a", base: 0 });
    await keeper.settled();
    expect(there.got).toHaveLength(1);
  });

  it("a store full of rubbish is an empty one", () => {
    const store = memory();
    store.setItem("k", "{not json");
    expect(new Keeper<string, Answer>({ key: "k", store, send: server().send }).left).toEqual([]);
  });
});

describe("after a reload", () => {
  const same = (a: string, b: string): boolean => a === b;
  const left: Step<string>[] = [
    { state: "a", what: "", base: 3 },
    { state: "b", what: "", base: 3 },
  ];

  it("goes on where the server is", () => {
    expect(reconcile(left, 3, "old", same)?.map((step) => step.state)).toEqual(["a", "b"]);
  });

  it("does not send twice what the server has and we did not hear of", () => {
    expect(reconcile(left, 4, "a", same)).toEqual([{ state: "b", what: "", base: 4 }]);
    expect(reconcile(left, 5, "b", same)).toEqual([]);
  });

  it("asks a person when someone else's step came between", () => {
    expect(reconcile(left, 4, "theirs", same)).toBeNull();
  });
});
