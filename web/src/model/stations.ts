/** The stations of a hip's line, and where each leads. */

import type { Station } from "../api/schema";

/** Address of a station's page; null when it cannot be visited yet or has no page of its own. */
export function stationPath(hip: string, station: Station): string | null {
  if (!station.open) return null;
  const at = `/hip/${encodeURIComponent(hip)}`;
  switch (station.key) {
    case "film":
    case "reading":
      return station.film_id ? `${at}/${station.key}/${encodeURIComponent(station.film_id)}` : null;
    case "scan":
      return station.scan_id ? `${at}/scan/${encodeURIComponent(station.scan_id)}` : null;
    case "stock":
    case "comparison":
    case "placement":
    case "signature":
      return `${at}/${station.key}`;
    default:
      return null;
  }
}

/** Notes of a line of many stations: the year is said by the first date of it, the others leave it out. */
export function stationNotes(stations: readonly Pick<Station, "note">[]): string[] {
  const said = new Set<string>();
  return stations.map(({ note }) => {
    const year = /^\d{1,2} [A-Z][a-z]{2} (\d{4})$/.exec(note)?.[1];
    if (year === undefined || stations.length < MANY) return note;
    if (said.has(year)) return note.slice(0, -5);
    said.add(year);
    return note;
  });
}

/** With so many stations a whole date does not fit beside a title. */
export const MANY = 9;

/** The next page along the line from `here` (none: the hip's own page, before the first). */
export function along(hip: string, stations: readonly Station[], here: Station["key"] | null, step: 1 | -1): string | null {
  const from = here === null ? -1 : stations.findIndex((station) => station.key === here);
  for (let i = from + step; i >= 0 && i < stations.length; i += step) {
    const station = stations[i];
    const path = station ? stationPath(hip, station) : null;
    if (path) return path;
  }
  return step === -1 && from >= 0 ? `/hip/${encodeURIComponent(hip)}` : null;
}
