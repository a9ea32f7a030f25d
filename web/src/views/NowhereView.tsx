/** An address that leads nowhere. */

import type { JSX } from "preact";
import { Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";

export function NowhereView(): JSX.Element {
  return (
    <Shell title="No such page" back="/">
      <Stopped error={new Error("There is no page at this address. The patients page leads to every hip.")} />
    </Shell>
  );
}
