/** The scan projected as a film with the part in place, beside the real film. */

import type { JSX } from "preact";
import { at } from "../../api/client";
import type { PlannedFilmOut, Side } from "../../api/schema";
import { sideWords } from "../../model/format";
import { useLoad } from "../../parts/hooks";
import { Panel } from "../../parts/Panel";

export function PlannedFilm({ hip, side, close }: { hip: string; side: Side; close: () => void }): JSX.Element {
  const { data, error } = useLoad<PlannedFilmOut>(at("/api/hips", hip, {}, "/planned-film"));
  return (
    <Panel title="Planned film" name="Planned film" close={close}>
      <p class="says">{data?.words ?? error?.message ?? "The scan is being projected."}</p>
      {data && (
        <div class="pf-films">
          <Film path={data.planned} words="planned: the scan projected" side={side} />
          {data.film ? <Film path={data.film} words="the real film" side={side} /> : <p class="k">There is no real film of this hip to stand beside it.</p>}
        </div>
      )}
    </Panel>
  );
}

function Film({ path, words, side }: { path: string; words: string; side: Side }): JSX.Element {
  return (
    <figure>
      <img src={path} alt={`${sideWords(side)}, ${words}`} />
      <figcaption>
        <b>{sideWords(side)}</b> {words}
      </figcaption>
    </figure>
  );
}
