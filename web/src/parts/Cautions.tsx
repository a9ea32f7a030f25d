/** Cautions with their source; never summed. */

import type { JSX } from "preact";
import type { Caution } from "../api/schema";
import { levelWords } from "../model/format";
import { cautionSource } from "../model/limits";

export function CautionList({ cautions, levels = false }: { cautions: readonly Caution[]; levels?: boolean }): JSX.Element {
  return (
    <ul class="cautions">
      {cautions.map((caution) => (
        <li key={caution.text}>
          <span>{caution.text}</span>{" "}
          <small>
            {cautionSource(caution)}
            {levels && caution.levels.length > 0 && caution.levels.length < 4 && ` · concerns ${caution.levels.map((level) => levelWords[level].toLowerCase()).join(", ")}`}
          </small>
        </li>
      ))}
    </ul>
  );
}
