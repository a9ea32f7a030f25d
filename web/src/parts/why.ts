/** Which why slips are open: one that hangs from its number, and those that were pinned. */

import type { LimitMark, Measure } from "../api/schema";
import { store } from "../model/store";

export interface OpenWhy {
  n: Measure;
  limit: LimitMark | null;
  /** Where its number stands on the page, CSS pixels. */
  from: { left: number; right: number; top: number; bottom: number };
  /** Focus goes back here. */
  back: HTMLElement;
}

export const whyOpen = store<OpenWhy | null>(null);
export const whyPinned = store<readonly { n: Measure; limit: LimitMark | null }[]>([]);

/** Open the slip of a number; the same number again closes it. */
export function openWhy(n: Measure, limit: LimitMark | null, at: HTMLElement): void {
  if (whyOpen.get()?.n === n) return closeWhy();
  const box = at.getBoundingClientRect();
  whyOpen.set({ n, limit, from: { left: box.left, right: box.right, top: box.top, bottom: box.bottom }, back: at });
}

export function closeWhy(): void {
  const now = whyOpen.get();
  if (!now) return;
  whyOpen.set(null);
  if (now.back.isConnected) now.back.focus({ preventScroll: true });
}

/** Keep the open slip in view while other numbers are opened. */
export function pinWhy(): void {
  const now = whyOpen.get();
  if (!now) return;
  whyPinned.set((all) => [...all.filter((slip) => slip.n.key !== now.n.key), { n: now.n, limit: now.limit }].slice(-3));
  closeWhy();
}

export function unpinWhy(key: string): void {
  whyPinned.set((all) => all.filter((slip) => slip.n.key !== key));
}

/** Everything closed: a new page. */
export function forgetWhys(): void {
  whyOpen.set(null);
  whyPinned.set([]);
}
