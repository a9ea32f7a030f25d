/** Whose hand this is. The name stands on every reading and plan. */

import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { about, readerName, setReader } from "./desk";
import { useStore } from "./hooks";
import { say } from "./keys";

export function Reader(): JSX.Element {
  const now = readerName(useStore(about));
  const [open, set] = useState(false);
  if (!open) {
    return (
      <button type="button" class={now ? "reader" : "reader ask"} onClick={() => set(true)} aria-label={now ? `Reader ${now}. Change` : "Say who reads"}>
        {now || "Who reads here? Say your name"}
      </button>
    );
  }
  const keep = (name: string): void => {
    set(false);
    if (name.trim() === now || name.trim() === "") return;
    setReader(name.trim()).catch((error: unknown) => say((error as Error).message));
  };
  return (
    <input
      class="reader"
      aria-label="Reader"
      placeholder="Your name, as it should stand under a plan"
      value={now}
      ref={(input) => input?.focus()}
      onBlur={(event) => keep(event.currentTarget.value)}
      onKeyDown={(event) => {
        if (event.key === "Enter") event.currentTarget.blur();
        if (event.key === "Escape") {
          event.stopPropagation();
          set(false);
        }
      }}
    />
  );
}
