/** The next thing to do for this hip: one a page, with one violet button. */

import type { JSX } from "preact";
import type { NextStep } from "../api/schema";
import { Press } from "./Press";

const HEAD: Record<NextStep["state"], string> = { due: "Next for this hip", stopped: "Stopped", late: "Late", none: "Nothing to do" };

export function NextBox({ next, onPress, hint }: { next: NextStep; onPress: () => void; hint?: string }): JSX.Element {
  const head = next.state === "none" && next.button !== "" ? "Ready" : HEAD[next.state];
  return (
    <aside class={`next ${next.state}`} aria-label={head}>
      <span>{head}</span>
      <p>
        <b>{next.title}</b>
        {next.detail !== "" && <small>{next.detail}</small>}
      </p>
      {next.button !== "" && (
        <Press kind={next.state === "none" ? "rest" : "do"} onPress={onPress} hint={hint}>
          {next.button}
        </Press>
      )}
    </aside>
  );
}
