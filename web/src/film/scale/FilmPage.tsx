/** A film opened: its scale, its side, what its header says, what stops it. */

import type { JSX } from "preact";
import { useCallback, useLayoutEffect, useRef } from "preact/hooks";
import { at } from "../../api/client";
import type { FilmPage as FilmData, HipPage } from "../../api/schema";
import type { Action } from "../../model/actions";
import { dateWords } from "../../model/format";
import { pathOfRoute } from "../../model/routes";
import { useLoad } from "../../parts/hooks";
import { StopSign } from "../../parts/LimitSign";
import { Press } from "../../parts/Press";
import { go } from "../../parts/router";
import { plateOf, Shell } from "../../parts/Shell";
import { Stopped } from "../../parts/Stopped";
import { arcPoints } from "../geometry/shapes";
import { toScreen, type Viewport } from "../geometry/viewport";
import { FilmViewer } from "../viewer/FilmViewer";
import { Cross, Handle, Line, Words } from "../viewer/marks";
import { cornersOf, scaleOf, useFilm } from "../viewer/useFilm";
import { viewActions } from "../viewer/viewActions";
import { ScaleSources, SOURCES } from "./ScaleSources";
import { SideQuestion } from "./SideQuestion";
import { scaleIn, type ScaleWork, useScale } from "./useScale";

export function FilmPage({ hip, film }: { hip: string; film: string }): JSX.Element {
  const hipPage = useLoad<HipPage>(at("/api/hips", hip));
  const filmPage = useLoad<FilmData>(at("/api/films", film, { hip }));
  const error = hipPage.error ?? filmPage.error;
  if (!hipPage.data || !filmPage.data) {
    return (
      <Shell title="Film" ground="dark" here="film" hip={hipPage.data ? plateOf(hipPage.data) : null} back={pathOfRoute({ page: "hip", hip })}>
        {error ? <Stopped error={error} again={() => (hipPage.error ? hipPage.again() : filmPage.again())} /> : null}
      </Shell>
    );
  }
  return (
    <Film
      hip={hipPage.data}
      film={filmPage.data}
      onFilm={(got) => {
        filmPage.put(got);
        hipPage.again();
      }}
    />
  );
}

function Film({ hip, film, onFilm }: { hip: HipPage; film: FilmData; onFilm: (film: FilmData) => void }): JSX.Element {
  const scale = scaleOf(film);
  const control = useFilm(film, "fit");
  const work = useScale(film, hip.side, onFilm);
  const sideOpen = film.side_letter === null;
  const noneChosen = film.scale.choices.some((choice) => choice.kind === "none" && choice.in_use);
  const scaleOpen = !film.scale.settled || (film.scale.in_use === null && !noneChosen);
  const read = (): void => go(pathOfRoute({ page: "reading", hip: hip.hip_id, film: film.film_id }));
  const begin = useCallback((kind: (typeof SOURCES)[number]["kind"]) => (kind === "none" ? work.use(scaleIn("none")) : work.begin(kind)), [work]);

  const actions: Action[] = [
    ...(work.at ? [{ id: "film.leave", title: "Leave this source", keys: ["Escape"], whileTyping: true, run: work.leave }] : []),
    ...SOURCES.filter((source) => source.key !== null).map(
      (source): Action => ({
        id: `scale.${source.kind}`,
        title: source.button,
        keys: [source.key as string],
        ...(scaleOpen ? { foot: source.title.toLowerCase().split(/[ ,]/)[source.kind === "ball" ? 1 : 0] ?? "" } : {}),
        run: () => begin(source.kind),
      }),
    ),
    ...viewActions(control),
    {
      id: "film.read",
      title: "Read this film",
      keys: scaleOpen || sideOpen ? [] : ["Enter"],
      violet: !scaleOpen && !sideOpen && work.at === null,
      run: read,
    },
    { id: "film.side", title: "Two films side by side", keys: ["Shift+d"], run: () => go(pathOfRoute({ page: "films", hip: hip.hip_id })) },
  ];
  const sideFirst = sideOpen && !scaleOpen && work.at === null;
  const first = scaleOpen ? firstOffer(film) : null;

  return (
    <Shell
      title={`Film, ${hip.side} hip`}
      ground="dark"
      here="film"
      hip={plateOf(hip)}
      state={{ title: film.card.words, detail: film.card.age_days === null ? dateWords(film.card.taken) : `${film.card.age_days} days old` }}
      actions={actions}
      back={pathOfRoute({ page: "hip", hip: hip.hip_id })}
      mainClass="rd"
    >
      <div class="rd-film">
        <FilmViewer
          filmId={film.film_id}
          grey={film.grey}
          control={control}
          says={film.card.words}
          corners={cornersOf(film, film.card.view, hip.side)}
          scale={scale}
          tool={work.tool}
          marks={(view) => <ScaleMarks view={view} work={work} />}
        />
      </div>
      <aside class="rd-side fp">
        <div class="fp-scroll">
          <Finding film={film} scaleOpen={scaleOpen} sideOpen={sideOpen} />
          {film.warnings.map((warning) => (
            <p class="rd-warning" key={warning}>
              {warning}
            </p>
          ))}
          {sideFirst && <SideQuestion film={film} side={hip.side} first onAnswer={work.answerSide} />}
          <ScaleSources work={work} violet={work.at === null ? first : null} />
          {work.refused && !SOURCES.some((source) => source.kind === work.refused?.body.kind) && <p class="rd-warning">{work.refused.says}</p>}
          {film.scale.settled_by && !scaleOpen && <p class="k fp-by">settled by {film.scale.settled_by}</p>}
          {!sideFirst && <SideQuestion film={film} side={hip.side} first={false} onAnswer={work.answerSide} />}
          <section class="fp-header">
            <h2>Header</h2>
            <dl>
              {film.header.map((row) => (
                <div key={row.name}>
                  <dt>{row.name}</dt>
                  <dd>{/^\d{4}-\d{2}-\d{2}$/.test(row.text) ? dateWords(row.text) : row.text}</dd>
                </div>
              ))}
            </dl>
          </section>
        </div>
        {!scaleOpen && !sideOpen && work.at === null && (
          <div class="rd-next">
            <div>
              <b>{film.card.read ? "This film is read" : "Read this film"}</b>
              <span>{film.card.read ? "Look at its marks, or read it once more." : "Landmarks, one after the other; a rough click is enough."}</span>
            </div>
            <Press kind="do" onPress={read} hint="Enter">
              {film.card.read ? "See it" : "Read"}
            </Press>
          </div>
        )}
      </aside>
    </Shell>
  );
}

/** The page's sentence: what stops, or that nothing does. */
function Finding({ film, scaleOpen, sideOpen }: { film: FilmData; scaleOpen: boolean; sideOpen: boolean }): JSX.Element {
  const stop = !film.scale.settled ? "Stopped: scales contradict" : scaleOpen ? "Stopped: no scale" : sideOpen ? "Stopped: side not confirmed" : null;
  const sentence = !film.scale.settled
    ? "Sources of scale contradict each other. Choose the one that is right for this film."
    : scaleOpen
      ? "This film has no scale yet, so it cannot give lengths."
      : sideOpen
        ? "Say which letter stands on this film before it is read."
        : film.scale.in_use
          ? film.card.read ? "This film has a scale and is read." : "This film is ready to be read."
          : "This film gives angles and ratios, no lengths.";
  // A new finding is read from its first word, wherever the list below it had been scrolled to.
  const top = useRef<HTMLHeadingElement>(null);
  useLayoutEffect(() => {
    // After the frame: the list that shrank below would pull the scroll along with it.
    const asked = requestAnimationFrame(() => {
      for (let box = top.current?.parentElement; box && box.tagName !== "MAIN"; box = box.parentElement) box.scrollTop = 0;
    });
    return () => cancelAnimationFrame(asked);
  }, [sentence, sideOpen]);
  return (
    <>
      {stop && (
        <p class="fp-stop" role="alert">
          <StopSign /> {stop}
        </p>
      )}
      <h1 ref={top}>{sentence}</h1>
      {!film.scale.settled && film.scale.contradiction && <p class="says fp-contradiction">{film.scale.contradiction}</p>}
    </>
  );
}

/** The source whose button is violet: the one believed most among those that a person can give or use now. */
function firstOffer(film: FilmData): (typeof SOURCES)[number]["kind"] {
  if (film.scale.settled) return "ball";
  return film.scale.choices.find((choice) => choice.scale !== null)?.kind ?? "ball";
}

function ScaleMarks({ view, work }: { view: Viewport; work: ScaleWork }): JSX.Element {
  const { ball, ruler } = work;
  const shown = work.at === "ball" ? ball : null;
  const colour = shown?.found ? "var(--found)" : "var(--mark)";
  const ends = work.at === "ruler" ? ruler.map((end) => toScreen(view, end)) : [];
  return (
    <>
      {shown && (
        <>
          <Line points={arcPoints(shown.circle, 0, 360, view.rowFactor).map((point) => toScreen(view, point))} colour={colour} width={2} />
          <Cross at={toScreen(view, [shown.circle[0], shown.circle[1]])} colour={colour} />
          <Words at={toScreen(view, [shown.circle[0], shown.circle[1] + shown.circle[2] / view.rowFactor + 18 / view.zoom])} colour={colour} size={12.5}>
            marker ball
          </Words>
        </>
      )}
      {ends.length === 2 && <Line points={ends} colour="var(--mark)" width={1.8} />}
      {ends.map((end, i) => (
        <Handle key={i} at={end} />
      ))}
    </>
  );
}
