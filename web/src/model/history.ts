/** Undo and redo as a value: past, present, future. The server keeps the lasting history; this one is for a page. */

export interface History<T> {
  readonly past: readonly T[];
  readonly now: T;
  readonly future: readonly T[];
}

export const begun = <T>(now: T): History<T> => ({ past: [], now, future: [] });

/** A new state; the future is forgotten. */
export function stepped<T>(history: History<T>, next: T, keep = 200): History<T> {
  return { past: [...history.past, history.now].slice(-keep), now: next, future: [] };
}

export function undone<T>(history: History<T>): History<T> {
  const before = history.past.at(-1);
  if (before === undefined) return history;
  return { past: history.past.slice(0, -1), now: before, future: [history.now, ...history.future] };
}

export function redone<T>(history: History<T>): History<T> {
  const [after, ...rest] = history.future;
  if (after === undefined) return history;
  return { past: [...history.past, history.now], now: after, future: rest };
}
