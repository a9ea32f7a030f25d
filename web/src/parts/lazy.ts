/** A piece of the program that is fetched when it is first wanted. */

import { useEffect, useState } from "preact/hooks";

/** The piece, why it did not come, or null while it is on its way. `load` is the same function at each drawing. */
export function useLazy<T>(load: () => Promise<T>): T | Error | null {
  const [got, set] = useState<{ piece: T } | Error | null>(null);
  useEffect(() => {
    let current = true;
    load().then(
      (piece) => current && set({ piece }),
      (error: unknown) => current && set(error as Error),
    );
    return () => {
      current = false;
    };
  }, [load]);
  return got === null || got instanceof Error ? got : got.piece;
}
