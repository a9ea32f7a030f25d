/** Two films side by side: one look, one light, for both; or each on its own. */

import type { JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import { at } from "../api/client";
import type { FilmPage, HipPage } from "../api/schema";
import type { Action } from "../model/actions";
import { dateWords } from "../model/format";
import { pathOfRoute } from "../model/routes";
import { useLoad } from "../parts/hooks";
import { go } from "../parts/router";
import { plateOf, Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";
import { link, type ViewControl } from "./viewer/control";
import { FilmViewer } from "./viewer/FilmViewer";
import { cornersOf, scaleOf, useFilm } from "./viewer/useFilm";
import { viewActions } from "./viewer/viewActions";

export function FilmsPage({ hip }: { hip: string }): JSX.Element {
  const hipPage = useLoad<HipPage>(at("/api/hips", hip));
  const data = hipPage.data;
  if (!data) {
    return (
      <Shell title="Films" ground="dark" back={pathOfRoute({ page: "hip", hip })}>
        {hipPage.error ? <Stopped error={hipPage.error} again={hipPage.again} /> : null}
      </Shell>
    );
  }
  return <Films hip={data} />;
}

function Films({ hip }: { hip: HipPage }): JSX.Element {
  const films = hip.films;
  const [chosen, choose] = useState<readonly [number, number]>([0, Math.min(1, films.length - 1)]);
  const [controls, setControls] = useState<readonly [ViewControl | null, ViewControl | null]>([null, null]);
  const [linked, setLinked] = useState(true);
  const [active, setActive] = useState<0 | 1>(0);
  const [a, b] = controls;
  useEffect(() => (a && b && linked ? link(a, b) : undefined), [a, b, linked]);
  const next = (which: 0 | 1, step: 1 | -1): void =>
    choose((now) => {
      const moved = (now[which] + step + films.length) % films.length;
      return which === 0 ? [moved, now[1]] : [now[0], moved];
    });
  const control = controls[active] ?? a ?? b;
  const actions: Action[] = [
    { id: "films.link", title: linked ? "Let each film go its own way" : "Let the films follow one another", keys: ["y"], foot: linked ? "unlink" : "link", run: () => setLinked(!linked) },
    { id: "films.left", title: "Another film on the left", keys: ["1"], foot: "left film", run: () => next(0, 1) },
    { id: "films.right", title: "Another film on the right", keys: ["2"], foot: "right film", run: () => next(1, 1) },
    ...(control ? viewActions(control) : []),
    { id: "films.read", title: "Read the film in focus", keys: ["Enter"], run: () => {
      const film = films[chosen[active]];
      if (film) go(pathOfRoute({ page: "reading", hip: hip.hip_id, film: film.film_id }));
    } },
  ];
  return (
    <Shell
      title={`Films, ${hip.side} hip`}
      ground="dark"
      here="film"
      hip={plateOf(hip)}
      state={{ title: linked ? "Films follow one another" : "Each film on its own", detail: "zoom, place, light" }}
      actions={actions}
      back={pathOfRoute({ page: "hip", hip: hip.hip_id })}
      mainClass="two-films"
    >
      {films.length === 0 && <p class="fv-wait">This hip has no films yet.</p>}
      {films.length > 0 &&
        ([0, 1] as const).map((which) => {
          const film = films[chosen[which]];
          if (!film) return null;
          return (
            <section key={which} class={active === which ? "on" : ""} onPointerDown={() => setActive(which)} onFocusIn={() => setActive(which)}>
              <header>
                <label>
                  <span class="vh">Film on the {which === 0 ? "left" : "right"}</span>
                  <select
                    value={String(chosen[which])}
                    onChange={(event) => {
                      const index = Number(event.currentTarget.value);
                      choose((now) => (which === 0 ? [index, now[1]] : [now[0], index]));
                    }}
                  >
                    {films.map((other, index) => (
                      <option key={other.film_id} value={String(index)}>
                        {other.words}
                      </option>
                    ))}
                  </select>
                </label>
                <span class="faint">{film.age_days === null ? dateWords(film.taken) : `${film.age_days} days old`}</span>
              </header>
              <OneFilm
                key={film.film_id}
                hip={hip}
                film={film.film_id}
                onControl={(made) => setControls((now) => (which === 0 ? [made, now[1]] : [now[0], made]))}
              />
            </section>
          );
        })}
    </Shell>
  );
}

function OneFilm({ hip, film, onControl }: { hip: HipPage; film: string; onControl: (control: ViewControl) => void }): JSX.Element {
  const page = useLoad<FilmPage>(at("/api/films", film, { hip: hip.hip_id }));
  if (page.data) return <Shown hip={hip} film={page.data} onControl={onControl} />;
  return <div class="fv">{page.error ? <p class="fv-wait">{page.error.message}</p> : null}</div>;
}

function Shown({ hip, film, onControl }: { hip: HipPage; film: FilmPage; onControl: (control: ViewControl) => void }): JSX.Element {
  const control = useFilm(film, "fit");
  useEffect(() => onControl(control), [control]);
  return (
    <div class="one-film">
      <FilmViewer
        filmId={film.film_id}
        grey={film.grey}
        control={control}
        says={film.card.words}
        corners={cornersOf(film, film.card.view, hip.side)}
        scale={scaleOf(film)}
      />
    </div>
  );
}
