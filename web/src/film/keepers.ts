/** One keeper a reading and one a placement, for as long as headstock is open: leaving a page does not stop the sending. */

import { ask, at } from "../api/client";
import type { PlacementIn, PlacementPage, PlacementSave, ReadingIn, ReadingPage, ReadingState } from "../api/schema";
import { keeperKey, keyOf, stepsStand, type KeeperKey } from "../model/steps";
import { browserStore } from "./model/browserStore";
import { Keeper, type Kept, reconcile } from "./model/keeper";
import { samePlacement } from "./model/placement";
import { sameState } from "./model/reading";

export type ReadingKeeper = Keeper<ReadingState, ReadingPage>;
export type PlacementKeeper = Keeper<PlacementIn, PlacementPage>;

const readings = new Map<string, ReadingKeeper>();
const placements = new Map<string, PlacementKeeper>();

function once<K>(all: Map<string, K>, key: string, make: () => K): K {
  const known = all.get(key);
  if (known) return known;
  const made = make();
  all.set(key, made);
  return made;
}

export function readingKeeper(hip: string, film: string): ReadingKeeper {
  const key = keyOf({ of: "reading", hip, film });
  return once(readings, key, () =>
    new Keeper<ReadingState, ReadingPage>({
      key,
      store: browserStore,
      onState: (state) => stepsStand(key, state),
      send: (step) => {
        const body: ReadingIn = { state: step.state, base_step: step.base, what: step.what };
        return ask<ReadingPage>("PUT", at("/api/films", film, { hip }, "/reading"), body);
      },
    }),
  );
}

export function placementKeeper(hip: string): PlacementKeeper {
  const key = keyOf({ of: "placement", hip });
  return once(placements, key, () =>
    new Keeper<PlacementIn, PlacementPage>({
      key,
      store: browserStore,
      onState: (state) => stepsStand(key, state),
      send: (step) => {
        const body: PlacementSave = { placement: step.state, base_step: step.base, what: step.what };
        return ask<PlacementPage>("PUT", at("/api/hips", hip, {}, "/placement"), body);
      },
    }),
  );
}

const FIRST_WAIT_MS = 1000;
const LAST_WAIT_MS = 8000;

/** Send what an earlier visit could not, from whatever page is opened first. */
export function resumeSteps(keys: readonly string[]): void {
  for (const key of keys) {
    const what = keeperKey(key);
    if (what) void resume(what, key);
  }
}

async function resume(what: KeeperKey, key: string): Promise<void> {
  if (what.of === "outlines") {
    // A correction stands on the step before it: the server takes it, or refuses it in its own words.
    const { outlineKeeper } = await import("../scan/keepers");
    return outlineKeeper(what.hip, what.scan).resume();
  }
  const goOn =
    what.of === "reading"
      ? (): Promise<void> => since(readingKeeper(what.hip, what.film), ask<ReadingPage>("GET", at("/api/films", what.film, { hip: what.hip }, "/reading")), (page) => page.state, sameState)
      : (): Promise<void> => since(placementKeeper(what.hip), ask<PlacementPage>("GET", at("/api/hips", what.hip, {}, "/placement")), (page) => page.appraisal.placement, samePlacement);
  const keeper = what.of === "reading" ? readingKeeper(what.hip, what.film) : placementKeeper(what.hip);
  for (let wait = FIRST_WAIT_MS; keeper.waiting > 0 && !keeper.sending; wait = Math.min(LAST_WAIT_MS, wait * 2)) {
    try {
      return await goOn();
    } catch {
      stepsStand(key, { name: "retrying", waiting: keeper.waiting });
      await new Promise((resolve) => setTimeout(resolve, wait));
    }
  }
}

async function since<State, Answer extends Kept>(
  keeper: Keeper<State, Answer>,
  asked: Promise<Answer>,
  stateOf: (answer: Answer) => State,
  same: (a: State, b: State) => boolean,
): Promise<void> {
  const answer = await asked;
  // Its own page may have opened meanwhile, and sends already.
  if (keeper.sending || keeper.waiting === 0) return;
  const rest = reconcile(keeper.left, answer.step, stateOf(answer), same);
  if (rest) keeper.replace(rest);
  else keeper.resume(); // The server refuses it in its own words; its page asks whose step stands.
}
