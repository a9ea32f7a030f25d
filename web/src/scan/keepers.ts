/** One keeper a scan's corrections, for as long as headstock is open: leaving the page does not stop the sending. */

import { ask, at } from "../api/client";
import type { EditIn, EditKept, EditsIn } from "../api/schema";
import { browserStore } from "../film/model/browserStore";
import { Keeper } from "../film/model/keeper";
import { keyOf, stepsStand } from "../model/steps";

export type KeptEdit = EditKept & { readonly step: number };
export type OutlineKeeper = Keeper<readonly EditIn[], KeptEdit>;

const keepers = new Map<string, OutlineKeeper>();

export function outlineKeeper(hip: string, scan: string): OutlineKeeper {
  const key = keyOf({ of: "outlines", hip, scan });
  let known = keepers.get(key);
  if (!known) {
    known = new Keeper<readonly EditIn[], KeptEdit>({
      key,
      store: browserStore,
      onState: (state) => stepsStand(key, state),
      send: async (step) => {
        const body: EditsIn = { edits: [...step.state], base_step: step.base, what: step.what };
        const kept = await ask<EditKept>("PUT", at("/api/scans", scan, { hip }, "/edits"), body);
        return { ...kept, step: kept.segmentation.step };
      },
    });
    keepers.set(key, known);
  }
  return known;
}
