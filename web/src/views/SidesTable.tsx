/** Every place that carries the side, what it says, and who read it. */

import type { JSX } from "preact";
import type { SideEvidence } from "../api/schema";

const SAYS: Record<SideEvidence["says"], string> = { left: "Left", right: "Right", both: "Both", silent: "silent" };

export function SidesTable({ sides }: { sides: readonly SideEvidence[] }): JSX.Element {
  return (
    <table class="sides">
      <thead>
        <tr>
          <th>where the side is written</th>
          <th>says</th>
          <th>read by</th>
          <th />
        </tr>
      </thead>
      <tbody>
        {sides.map((evidence) => (
          <tr key={evidence.place} class={evidence.agrees === false ? "bad" : ""}>
            <td>{evidence.place}</td>
            <td class={evidence.says === "silent" ? "s silent" : "s"}>{SAYS[evidence.says]}</td>
            <td>{evidence.read_by}</td>
            <td class="ag">{evidence.agrees === null ? "says nothing" : evidence.agrees ? "agrees" : "does not agree"}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
