import { describe, expect, test, vi } from "vitest";
import { NotReached, Stopped } from "../api/client";
import { saver, type Save, type Shelf } from "./saver";

const save = (body: unknown, key = "fact"): Save => ({ key, what: "weight", method: "PUT", path: "/x", body });
const settle = async (): Promise<void> => {
  for (let i = 0; i < 10; i++) await Promise.resolve();
};

function shelf(first = "[]"): Shelf & { kept: string } {
  return {
    kept: first,
    getItem() {
      return this.kept;
    },
    setItem(_, value) {
      this.kept = value;
    },
  };
}

describe("the saver", () => {
  test("keeps a save on the shelf until it is answered", async () => {
    let answer: (value: unknown) => void = () => undefined;
    const store = shelf();
    const mine = saver(() => new Promise((yes) => (answer = yes)), store);
    const heard = mine.save(save(1));
    expect(JSON.parse(store.kept)).toHaveLength(1);
    answer("ok");
    expect(await heard).toBe("ok");
    await settle();
    expect(store.kept).toBe("[]");
    expect(mine.state.get()).toMatchObject({ waiting: 0, failing: null });
  });

  test("a server that does not answer is tried again with the newest value, and nothing is lost", async () => {
    const sent: unknown[] = [];
    let away = true;
    const retries: (() => void)[] = [];
    const store = shelf();
    const mine = saver(
      (one) => {
        sent.push(one.body);
        return away ? Promise.reject(new NotReached("nobody")) : Promise.resolve(one.body);
      },
      store,
      (run) => retries.push(run),
    );
    const first = mine.save(save(1));
    await settle();
    expect(mine.state.get().failing).toBe("nobody");
    expect(JSON.parse(store.kept)).toHaveLength(1);
    const second = mine.save(save(2));
    await settle();
    away = false;
    retries.forEach((run) => run());
    expect(await first).toBe(2);
    expect(await second).toBe(2);
    await settle();
    expect(sent.at(-1)).toBe(2);
    expect(store.kept).toBe("[]");
    expect(mine.state.get().failing).toBeNull();
  });

  test("a refusal is not tried again; its words stay until read", async () => {
    const send = vi.fn(() => Promise.reject(new Stopped(409, { stopped: "no, because", guard: null, detail: null })));
    const mine = saver(send, shelf());
    await expect(mine.save(save(1))).rejects.toThrow("no, because");
    await settle();
    expect(send).toHaveBeenCalledTimes(1);
    expect(mine.state.get().refused).toEqual([{ key: "fact", what: "weight", says: "no, because" }]);
    mine.dismiss("fact");
    expect(mine.state.get().refused).toEqual([]);
  });

  test("one at a time for a key; of those waiting the newest goes, on the step before it", async () => {
    const sent: unknown[] = [];
    const answers: ((value: unknown) => void)[] = [];
    const mine = saver((one) => {
      sent.push(one.body);
      return new Promise((yes) => answers.push(yes));
    }, shelf());
    const rebase = (body: unknown, before: { step: number }): unknown => ({ ...(body as object), base: before.step });
    void mine.save<{ step: number }>(save({ v: 1, base: 0 }), rebase);
    void mine.save<{ step: number }>(save({ v: 2, base: 0 }), rebase);
    const last = mine.save<{ step: number }>(save({ v: 3, base: 0 }), rebase);
    expect(sent).toHaveLength(1);
    answers[0]?.({ step: 7 });
    await settle();
    expect(sent).toEqual([{ v: 1, base: 0 }, { v: 3, base: 7 }]);
    answers[1]?.({ step: 8 });
    expect(await last).toEqual({ step: 8 });
  });

  test("keys do not wait for one another", () => {
    const sent: string[] = [];
    const mine = saver((one) => {
      sent.push(one.key);
      return new Promise(() => undefined);
    }, shelf());
    void mine.save(save(1, "a"));
    void mine.save(save(1, "b"));
    expect(sent).toEqual(["a", "b"]);
  });

  test("what an earlier visit could not send is sent", async () => {
    const sent: unknown[] = [];
    const mine = saver((one) => (sent.push(one.body), Promise.resolve()), shelf(JSON.stringify([save(5)])));
    mine.resume();
    await settle();
    expect(sent).toEqual([5]);
  });

  test("a spoilt shelf is not a reason to stop", () => {
    expect(() => saver(() => Promise.resolve(), shelf("{not json")).resume()).not.toThrow();
  });
});
