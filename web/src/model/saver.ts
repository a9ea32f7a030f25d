/**
 * Autosave that loses nothing. What waits to be saved is written to the browser's own
 * storage before it is sent, and leaves it only when the server has answered. A server
 * that does not answer is tried again; a refusal is shown in the server's words and kept
 * on screen until someone has read it.
 *
 * Per key the saves go one after the other and the newest waiting one wins, so a fast
 * hand does not queue a hundred requests.
 */

import { NotReached, Stopped, type Method } from "../api/client";
import { store, type Store } from "./store";

export interface Save {
  /** What is being saved: `fact alder.right weight_kg`. Newer saves of one key replace waiting ones. */
  key: string;
  /** In words, for the nameplate: "weight". */
  what: string;
  method: Method;
  path: string;
  body: unknown;
}

export interface SaveState {
  /** Saves not yet answered. */
  waiting: number;
  /** The server does not answer; it is tried again. */
  failing: string | null;
  /** Refusals not yet read. */
  refused: readonly { key: string; what: string; says: string }[];
  /** Clock time of the last answer, ms; null before the first. */
  savedAt: number | null;
}

export interface Shelf {
  getItem(key: string): string | null;
  setItem(key: string, value: string): void;
}

export interface Saver {
  state: Store<SaveState>;
  /**
   * Save, and hear the answer. `rebase` builds the body anew from the answer to the save
   * before it (a step number). Rejects with `Stopped`; a save that a newer one replaced
   * resolves with the newer one's answer.
   */
  save<T>(save: Save, rebase?: (body: unknown, before: T) => unknown): Promise<T>;
  /** Send what an earlier visit could not. */
  resume(): void;
  /** The refusal was read. */
  dismiss(key: string): void;
}

interface Waiting {
  save: Save;
  rebase: ((body: unknown, before: never) => unknown) | undefined;
  heard: { resolve: (answer: unknown) => void; reject: (error: unknown) => void }[];
}

const SHELF_KEY = "headstock.unsaved";

export function saver(
  send: (save: Save) => Promise<unknown>,
  shelf: Shelf,
  later: (run: () => void, ms: number) => void = (run, ms) => void setTimeout(run, ms),
  clock: () => number = Date.now,
): Saver {
  const state = store<SaveState>({ waiting: 0, failing: null, refused: [], savedAt: null });
  const queues = new Map<string, { sending: Waiting | null; next: Waiting | null; tries: number }>();

  function keep(): void {
    const all: Save[] = [];
    for (const { sending, next } of queues.values()) {
      if (next) all.push(next.save);
      else if (sending) all.push(sending.save);
    }
    shelf.setItem(SHELF_KEY, JSON.stringify(all));
    const waiting = [...queues.values()].reduce((sum, q) => sum + (q.sending ? 1 : 0) + (q.next ? 1 : 0), 0);
    state.set((now) => ({ ...now, waiting, failing: waiting === 0 ? null : now.failing }));
  }

  async function pump(key: string): Promise<void> {
    const queue = queues.get(key);
    if (!queue || queue.sending || !queue.next) return;
    const item = queue.next;
    queue.sending = item;
    queue.next = null;
    keep();
    try {
      const answer = await send(item.save);
      queue.tries = 0;
      const next = queue.next as Waiting | null;
      if (next?.rebase) next.save = { ...next.save, body: next.rebase(next.save.body, answer as never) };
      queue.sending = null;
      state.set((now) => ({ ...now, savedAt: clock(), failing: null }));
      for (const { resolve } of item.heard) resolve(answer);
    } catch (error) {
      queue.sending = null;
      if (error instanceof Stopped) {
        const says = error.message;
        state.set((now) => ({ ...now, refused: [...now.refused.filter((r) => r.key !== key), { key, what: item.save.what, says }] }));
        for (const { reject } of item.heard) reject(error);
      } else {
        // Nobody answered: the newest waiting save carries on for this one.
        if (queue.next) (queue.next as Waiting).heard.push(...item.heard);
        else queue.next = item;
        queue.tries += 1;
        state.set((now) => ({ ...now, failing: error instanceof NotReached ? error.message : String(error) }));
        keep();
        later(() => void pump(key), Math.min(10_000, 500 * 2 ** queue.tries));
        return;
      }
    }
    if (!queue.next) queues.delete(key);
    keep();
    void pump(key);
  }

  function add(save: Save, rebase: Waiting["rebase"], heard: Waiting["heard"]): void {
    const queue = queues.get(save.key) ?? { sending: null, next: null, tries: 0 };
    queues.set(save.key, queue);
    queue.next = { save, rebase, heard: [...(queue.next?.heard ?? []), ...heard] };
    keep();
    void pump(save.key);
  }

  return {
    state,
    save: <T>(save: Save, rebase?: (body: unknown, before: T) => unknown) =>
      new Promise<T>((resolve, reject) => {
        add(save, rebase as Waiting["rebase"], [{ resolve: resolve as (answer: unknown) => void, reject }]);
      }),
    resume() {
      let left: unknown = [];
      try {
        left = JSON.parse(shelf.getItem(SHELF_KEY) ?? "[]");
      } catch {
        left = [];
      }
      if (!Array.isArray(left)) return;
      for (const save of left as Save[]) if (!queues.has(save.key)) add(save, undefined, []);
    },
    dismiss: (key) => state.set((now) => ({ ...now, refused: now.refused.filter((r) => r.key !== key) })),
  };
}
