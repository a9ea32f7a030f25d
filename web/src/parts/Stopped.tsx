/** A page or a part that could not be had: what was found, why it stops us, what to press. */

import type { JSX } from "preact";
import { NotReached } from "../api/client";
import { StopSign } from "./LimitSign";
import { Press } from "./Press";
import { go } from "./router";

export function Stopped({ error, again }: { error: Error; again?: () => void }): JSX.Element {
  const away = error instanceof NotReached;
  return (
    <section class="stoppage" role="alert">
      <p class="stop">
        <StopSign />
        {away ? "No answer" : "Stopped"}
      </p>
      <h1>{error.message}</h1>
      <p class="two">
        {again && (
          <Press kind="do" onPress={again}>
            Try again
          </Press>
        )}
        <Press onPress={() => go("/")}>All patients</Press>
      </p>
    </section>
  );
}
