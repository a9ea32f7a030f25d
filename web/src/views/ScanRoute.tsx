/** Scan work is fetched when it is first wanted: the paper pages open without it. */

import type { JSX } from "preact";
import type { Route } from "../model/routes";
import { useLazy } from "../parts/lazy";
import { Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";

const load = () => import("../scan/pages");

export function ScanRoute({ route }: { route: Extract<Route, { page: "scan" | "stock" }> }): JSX.Element {
  const pages = useLazy(load);
  const ground = route.page === "scan" ? "dark" : "paper";
  if (pages === null) return <Shell title="Scan" ground={ground} children={null} />;
  if (pages instanceof Error) {
    return (
      <Shell title="Scan">
        <Stopped error={pages} />
      </Shell>
    );
  }
  return route.page === "scan" ? <pages.ScanPage key={`${route.hip}/${route.scan}`} hip={route.hip} scan={route.scan} /> : <pages.StockPage key={route.hip} hip={route.hip} />;
}
