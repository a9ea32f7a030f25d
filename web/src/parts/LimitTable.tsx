/** Limits with unit, source, year, status, who edited. */

import type { JSX } from "preact";
import type { LimitRow } from "../api/schema";
import { unitWords } from "../model/format";
import { limitStatus } from "../model/limits";

export function LimitTable({ limits }: { limits: readonly LimitRow[] }): JSX.Element {
  return (
    <table class="limits">
      <thead>
        <tr>
          <th>what</th>
          <th>limit</th>
          <th>how well it is known</th>
        </tr>
      </thead>
      <tbody>
        {limits.map((limit) => (
          <tr key={limit.key} class={limit.status}>
            <th scope="row">{limit.label}</th>
            <td class="lv">
              {limit.words}
              {limit.unit && !limit.words.includes(unitWords(limit.unit)) && <u> {unitWords(limit.unit)}</u>}
            </td>
            <td>{limitStatus(limit)}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
