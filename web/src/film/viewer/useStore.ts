/** Watch a store from a component. */

import { useEffect, useState } from "preact/hooks";
import type { Store } from "../../model/store";

export function useStore<T>(watched: Store<T>): T {
  const [, again] = useState(0);
  useEffect(() => watched.watch(() => again((n) => n + 1)), [watched]);
  return watched.get();
}
