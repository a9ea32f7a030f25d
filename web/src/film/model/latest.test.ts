import { describe, expect, it } from "vitest";
import { latest } from "./latest";

function slow() {
  const open: { question: number; resolve: (answer: number) => void; reject: (error: Error) => void }[] = [];
  return { open, send: (question: number) => new Promise<number>((resolve, reject) => open.push({ question, resolve, reject })) };
}
const soon = (): Promise<void> => new Promise((resolve) => setTimeout(resolve, 0));

describe("asking while dragging", () => {
  it("has one question under way and drops all but the newest that wait", async () => {
    const there = slow();
    const answers: number[] = [];
    const live = latest(there.send, (answer) => answers.push(answer));
    for (const question of [1, 2, 3, 4]) live.ask(question);
    expect(there.open.map((one) => one.question)).toEqual([1]);
    there.open[0]?.resolve(10);
    await soon();
    expect(there.open.map((one) => one.question)).toEqual([1, 4]);
    there.open[1]?.resolve(40);
    await soon();
    expect(answers).toEqual([10, 40]);
  });

  it("ignores an answer that comes after it was dropped", async () => {
    const there = slow();
    const answers: number[] = [];
    const live = latest(there.send, (answer) => answers.push(answer));
    live.ask(1);
    live.drop();
    live.ask(2);
    there.open[0]?.resolve(1);
    there.open[1]?.resolve(2);
    await soon();
    expect(answers).toEqual([2]);
  });

  it("goes on after a failure", async () => {
    const there = slow();
    const answers: number[] = [];
    const errors: unknown[] = [];
    const live = latest(there.send, (answer) => answers.push(answer), (error) => errors.push(error));
    live.ask(1);
    live.ask(2);
    there.open[0]?.reject(new Error("away"));
    await soon();
    there.open[1]?.resolve(2);
    await soon();
    expect(answers).toEqual([2]);
    expect(errors).toEqual([]);
  });
});
