/** Small hooks that every page uses: watch a store, load a page, name actions. */

import { useCallback, useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import { ask, NotReached } from "../api/client";
import type { Action, Scope } from "../model/actions";
import type { Store } from "../model/store";
import { scopes } from "./keys";

/** The store's value; the part draws again when it changes. */
export function useStore<T>(watched: Store<T>): T {
  const [value, set] = useState(watched.get());
  useEffect(() => {
    set(watched.get());
    return watched.watch(() => set(watched.get()));
  }, [watched]);
  return value;
}

/** 0 everywhere, 1 this page, 2 parts of it, 3 an open panel. */
export type Layer = 0 | 1 | 2 | 3;
const layers = new WeakMap<Scope, Layer>();

export interface Loaded<T> {
  /** Last good answer; stays while a newer one is fetched. */
  data: T | null;
  error: Error | null;
  /** Put an answer that came another way (from a save). */
  put: (data: T) => void;
  again: () => void;
}

/** While nobody answers a page asks again after so long. */
const AGAIN_MS = 4000;

/** GET a page of the API; again when the path changes. `null` asks for nothing. */
export function useLoad<T>(path: string | null): Loaded<T> {
  const [got, set] = useState<{ path: string | null; data: T | null; error: Error | null }>({ path, data: null, error: null });
  const [turn, setTurn] = useState(0);
  useEffect(() => {
    if (path === null) return;
    const stop = new AbortController();
    let later: ReturnType<typeof setTimeout> | undefined;
    ask<T>("GET", path, undefined, stop.signal).then(
      (data) => set({ path, data, error: null }),
      (error: unknown) => {
        if (stop.signal.aborted) return;
        // Nobody there: ask again until somebody is. A refusal stands.
        if (error instanceof NotReached) later = setTimeout(() => setTurn((n) => n + 1), AGAIN_MS);
        set((now) => ({ path, data: now.path === path ? now.data : null, error: error as Error }));
      },
    );
    return () => {
      stop.abort();
      clearTimeout(later);
    };
  }, [path, turn]);
  const put = useCallback((data: T) => set({ path, data, error: null }), [path]);
  const again = useCallback(() => setTurn((n) => n + 1), []);
  const mine = got.path === path;
  return { data: mine ? got.data : null, error: mine ? got.error : null, put, again };
}

/**
 * Name this part's actions for as long as it is on the page. Scopes of a higher `layer` lie
 * over lower ones, later ones over earlier ones of the same layer: parts inside a page wake up
 * before the page around them, so order alone would put the page on top. The actions may be
 * new objects at each drawing.
 */
export function useActions(name: string, actions: readonly Action[], alone = false, layer: Layer = alone ? 3 : 2): void {
  const scope = useRef<Scope>({ name, actions, alone });
  scope.current.actions = actions;
  scope.current.alone = alone;
  // Before it is painted: whoever sees a sheet can close it at once, and the key does not fall through to the page below.
  useLayoutEffect(() => {
    const mine = scope.current;
    layers.set(mine, layer);
    scopes.set((now) => {
      const over = now.findIndex((other) => (layers.get(other) ?? 2) > layer);
      return over < 0 ? [...now, mine] : [...now.slice(0, over), mine, ...now.slice(over)];
    });
    return () => scopes.set((now) => now.filter((other) => other !== mine));
  }, []);
}

/** The size of an element on the page, CSS pixels. */
export function useSize<E extends Element>(): [(element: E | null) => void, { width: number; height: number }] {
  const [size, set] = useState({ width: 0, height: 0 });
  const watching = useRef<ResizeObserver | null>(null);
  const see = useCallback((element: E | null) => {
    watching.current?.disconnect();
    if (!element) return;
    const measure = (): void => {
      const box = element.getBoundingClientRect();
      set((now) => (now.width === box.width && now.height === box.height ? now : { width: box.width, height: box.height }));
    };
    watching.current = new ResizeObserver(measure);
    watching.current.observe(element);
    measure();
  }, []);
  return [see, size];
}

/** A low window (1280 × 720 and the like): content is dropped before letters shrink. */
export function useLow(): boolean {
  const query = useRef(window.matchMedia("(max-height: 780px)"));
  const [low, set] = useState(query.current.matches);
  useEffect(() => {
    const changed = (): void => set(query.current.matches);
    query.current.addEventListener("change", changed);
    return () => query.current.removeEventListener("change", changed);
  }, []);
  return low;
}

/** Whether a scrolling box holds more below its edge; what is hidden must be said. */
export function useMoreBelow(): { see: (box: HTMLElement | null) => void; hidden: number; onward: () => void } {
  const [hidden, set] = useState(0);
  const box = useRef<HTMLElement | null>(null);
  const stop = useRef<() => void>(() => undefined);
  const see = useCallback((element: HTMLElement | null) => {
    stop.current();
    box.current = element;
    if (!element) return;
    const look = (): void => set(Math.max(0, Math.round(element.scrollHeight - element.clientHeight - element.scrollTop - 2)));
    const sizes = new ResizeObserver(look);
    sizes.observe(element);
    for (const child of element.children) sizes.observe(child);
    element.addEventListener("scroll", look, { passive: true });
    look();
    stop.current = () => {
      sizes.disconnect();
      element.removeEventListener("scroll", look);
    };
  }, []);
  const onward = useCallback(() => box.current?.scrollBy({ top: box.current.clientHeight * 0.7, behavior: "instant" }), []);
  return { see, hidden, onward };
}

/** A state that outlives a reload of this tab: what was typed and not yet sent. */
export function useKept<T>(key: string, first: T): [T, (next: T) => void] {
  const [value, set] = useState<T>(() => {
    try {
      const kept = window.sessionStorage.getItem(key);
      return kept === null ? first : (JSON.parse(kept) as T);
    } catch {
      return first;
    }
  });
  const keep = useCallback(
    (next: T) => {
      set(next);
      try {
        window.sessionStorage.setItem(key, JSON.stringify(next));
      } catch {
        // Storage closed by policy: typed words live as long as the page.
      }
    },
    [key],
  );
  return [value, keep];
}
