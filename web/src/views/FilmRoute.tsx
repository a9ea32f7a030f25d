/** Image work is fetched when it is first wanted: the paper pages open without it. */

import type { ComponentType, JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import type { Route } from "../model/routes";
import { Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";

/** What `src/film/pages.tsx` exports. */
export interface FilmPages {
  FilmPage: ComponentType<{ hip: string; film: string }>;
  ReadingPage: ComponentType<{ hip: string; film: string }>;
  PlacementPage: ComponentType<{ hip: string }>;
  FilmsPage: ComponentType<{ hip: string }>;
}

const found = import.meta.glob<FilmPages>("../film/pages.tsx");

export function FilmRoute({ route }: { route: Route }): JSX.Element {
  const [pages, set] = useState<FilmPages | Error | null>(null);
  useEffect(() => {
    const load = found["../film/pages.tsx"];
    if (!load) return set(new Error("This build has no film pages."));
    load().then(set, (error: unknown) => set(error as Error));
  }, []);
  if (pages === null) return <Shell title="Film" ground="dark" children={null} />;
  if (pages instanceof Error) {
    return (
      <Shell title="Film">
        <Stopped error={pages} />
      </Shell>
    );
  }
  switch (route.page) {
    case "film":
      return <pages.FilmPage key={`${route.hip}/${route.film}`} hip={route.hip} film={route.film} />;
    case "reading":
      return <pages.ReadingPage key={`${route.hip}/${route.film}`} hip={route.hip} film={route.film} />;
    case "placement":
      return <pages.PlacementPage key={route.hip} hip={route.hip} />;
    case "films":
      return <pages.FilmsPage key={route.hip} hip={route.hip} />;
    default:
      return <Shell title="Film" children={null} />;
  }
}
