/** Steps of readings and placements that wait to be kept, whichever page is open: what the nameplate must not call saved. */

import { store } from "./store";

export interface StepsWaiting {
  readonly name: "keeping" | "retrying" | "stopped";
  readonly waiting: number;
}

export const steps = store<ReadonlyMap<string, StepsWaiting>>(new Map());

/** A keeper said how it stands. */
export function stepsStand(key: string, state: { readonly name: "kept" } | StepsWaiting): void {
  steps.set((now) => {
    const next = new Map(now);
    if (state.name === "kept") next.delete(key);
    else next.set(key, { name: state.name, waiting: state.waiting });
    return next;
  });
}

/** The state that most needs someone, and how many steps wait in all; null when every step is kept. */
export function worstOf(all: ReadonlyMap<string, StepsWaiting>): StepsWaiting | null {
  const order = ["stopped", "retrying", "keeping"] as const;
  const name = order.find((one) => [...all.values()].some((state) => state.name === one));
  if (!name) return null;
  return { name, waiting: [...all.values()].reduce((sum, state) => sum + state.waiting, 0) };
}

/** Before the keepers' own names in the browser's store. */
export const STEPS_PREFIX = "headstock.steps.";

export type KeeperKey =
  | { readonly of: "reading"; readonly hip: string; readonly film: string }
  | { readonly of: "placement"; readonly hip: string }
  | { readonly of: "outlines"; readonly hip: string; readonly scan: string };

export function keyOf(what: KeeperKey): string {
  const image = what.of === "reading" ? `.${what.film}` : what.of === "outlines" ? `.${what.scan}` : "";
  return `${STEPS_PREFIX}${what.of}.${what.hip}${image}`;
}

/** What a name in the browser's store belongs to; null for anything else. */
export function keeperKey(key: string): KeeperKey | null {
  if (!key.startsWith(STEPS_PREFIX)) return null;
  const [of, hip, image, ...more] = key.slice(STEPS_PREFIX.length).split(".");
  if (!hip || more.length > 0) return null;
  if (of === "reading" && image) return { of, hip, film: image };
  if (of === "outlines" && image) return { of, hip, scan: image };
  return of === "placement" && image === undefined ? { of, hip } : null;
}
