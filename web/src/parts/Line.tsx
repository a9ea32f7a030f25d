/** The hip's own line of life: done solid, here a violet bead, to come dashed. It is the navigation. */

import type { JSX } from "preact";
import type { Station } from "../api/schema";
import { MANY, stationNotes, stationPath } from "../model/stations";
import { Link } from "./router";

export function Line({ hip, stations, here }: { hip: string; stations: readonly Station[]; here: Station["key"] | null }): JSX.Element {
  const notes = stationNotes(stations);
  return (
    <nav class="line" aria-label="This hip's line of life">
      <ol>
        {stations.map((station, i) => {
          const path = stationPath(hip, station);
          const at = station.key === here;
          const name = [at ? "here" : "", station.state === "done" ? "" : station.state, path ? "" : "shut"].filter(Boolean).join(" ");
          const words = (
            <>
              {station.title}
              {notes[i] && <small class={stations.length >= MANY ? `many ${station.key}` : undefined}>{notes[i]}</small>}
            </>
          );
          return (
            <li key={station.key} class={name} aria-current={at ? "page" : undefined}>
              {path && !at ? <Link to={path}>{words}</Link> : <span>{words}</span>}
            </li>
          );
        })}
        <li class="last todo">
          {/* Where the line leads; said once. */}
          <span>{stations.some((station) => station.note === "lifelong") ? "" : "lifelong"}</span>
        </li>
      </ol>
    </nav>
  );
}
