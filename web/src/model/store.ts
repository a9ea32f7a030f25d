/** A value that can be watched. The one place where state lives outside a page. */

export interface Store<T> {
  get(): T;
  set(next: T | ((now: T) => T)): void;
  watch(heard: () => void): () => void;
}

export function store<T>(first: T): Store<T> {
  let now = first;
  const heard = new Set<() => void>();
  return {
    get: () => now,
    set(next) {
      const value = typeof next === "function" ? (next as (now: T) => T)(now) : next;
      if (Object.is(value, now)) return;
      now = value;
      for (const tell of [...heard]) tell();
    },
    watch(tell) {
      heard.add(tell);
      return () => heard.delete(tell);
    },
  };
}
