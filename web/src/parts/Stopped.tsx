/** A page or a part that could not be had: what was found, why it stops us, what to press. */

import type { JSX } from "preact";
import { NotReached } from "../api/client";
import { findingOf } from "../model/signing";
import { StopSign } from "./LimitSign";
import { Press } from "./Press";
import { go, useRoute } from "./router";

interface StoppedProps {
  error: Error;
  again?: () => void;
  /** What to press instead: the next step of this hip. */
  next?: { words: string; path: string } | null;
}

export function Stopped({ error, again, next = null }: StoppedProps): JSX.Element {
  const { finding, rest } = findingOf({ title: "", says: error.message });
  const route = useRoute();
  const hip = "hip" in route && route.page !== "hip" ? `/hip/${encodeURIComponent(route.hip)}` : null;
  const away = error instanceof NotReached;
  return (
    <section class="stoppage" role="alert">
      <p class="stop">
        <StopSign />
        {away ? "No answer" : "Stopped"}
      </p>
      <h1>{finding}</h1>
      {rest && <p class="says">{rest}</p>}
      <p class="two">
        {!away && next && (
          <Press kind="do" onPress={() => go(next.path)}>
            {next.words}
          </Press>
        )}
        {again && (
          <Press kind={away || !next ? "do" : "rest"} onPress={again}>
            Try again
          </Press>
        )}
        {hip && next?.path !== hip && (
          <Press kind={next || again ? "rest" : "do"} onPress={() => go(hip)}>
            This hip
          </Press>
        )}
        <Press onPress={() => go("/")}>All patients</Press>
      </p>
    </section>
  );
}
