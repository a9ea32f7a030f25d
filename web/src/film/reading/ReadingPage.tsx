/** The reading: landmark by landmark on the film, the numbers that follow beside it. */

import type { JSX } from "preact";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { at } from "../../api/client";
import type { FilmPage, HipPage, LandmarkPage, Measure, MeasuresOut, SignsIn, View } from "../../api/schema";
import type { Action } from "../../model/actions";
import { dateWords } from "../../model/format";
import { NOBODY } from "../../model/reader";
import { pathOfRoute } from "../../model/routes";
import { useLoad, useMoreBelow } from "../../parts/hooks";
import { ActionPress, Press } from "../../parts/Press";
import { go, Link } from "../../parts/router";
import { plateOf, Shell } from "../../parts/Shell";
import { Stopped } from "../../parts/Stopped";
import { acceptAll, keyOf, nameOf, setSign, sideOf, stops } from "../model/reading";
import { keptWords } from "../model/words";
import { ScaleStrip } from "../scale/ScaleStrip";
import { FilmViewer } from "../viewer/FilmViewer";
import { LegendMark } from "../viewer/marks";
import { cornersOf, scaleOf, useFilm } from "../viewer/useFilm";
import { viewActions } from "../viewer/viewActions";
import { hasValue, MeasureTable, PelvisLines } from "./MeasureTable";
import { NextBox } from "./NextBox";
import { ReadingMarks } from "./ReadingMarks";
import { Repeats } from "./Repeats";
import { SignsForm, Stages } from "./SignsForm";
import { useReading } from "./useReading";
import { useReadingTool } from "./useReadingTool";

export function ReadingPage({ hip, film }: { hip: string; film: string }): JSX.Element {
  const hipPage = useLoad<HipPage>(at("/api/hips", hip));
  const filmPage = useLoad<FilmPage>(at("/api/films", film, { hip }));
  const landmarks = useLoad<LandmarkPage>("/api/landmarks");
  const error = hipPage.error ?? filmPage.error ?? landmarks.error;
  if (!hipPage.data || !filmPage.data || !landmarks.data) {
    return (
      <Shell title="Reading" ground="dark" here="reading" hip={hipPage.data ? plateOf(hipPage.data) : null} back={pathOfRoute({ page: "hip", hip })}>
        {error ? <Stopped error={error} again={() => [hipPage, filmPage, landmarks].forEach((page) => page.error && page.again())} /> : null}
      </Shell>
    );
  }
  return <Reading hip={hipPage.data} film={filmPage.data} landmarks={landmarks.data} onStanding={hipPage.again} />;
}

function Reading({ hip, film, landmarks, onStanding }: { hip: HipPage; film: FilmPage; landmarks: LandmarkPage; onStanding: () => void }): JSX.Element {
  const view: View = film.card.view ?? "ap_pelvis";
  const scale = scaleOf(film);
  const control = useFilm(film, view === "ap_pelvis" ? "fill" : "fit");
  const work = useReading(hip.hip_id, film.film_id);
  const [signsOpen, setSigns] = useState(false);
  const below = useMoreBelow();
  const byName = useMemo(() => new Map(landmarks.landmarks.map((landmark) => [landmark.key, landmark])), [landmarks]);
  const order = useMemo(() => orderOf(landmarks, view, hip.side), [landmarks, view, hip.side]);
  const labelOf = useMemo(
    () =>
      (key: string): string => {
        const name = nameOf(key);
        const words = byName.get(name)?.label ?? OUTLINE_WORDS[name] ?? name.replaceAll("_", " ");
        const side = sideOf(key);
        return side ? `${words}, ${side}` : words;
      },
    [byName],
  );
  const hands = useReadingTool({ film: film.film_id, work, control, scale, landmarks: byName, order, labelOf });
  const { state, measures } = work;
  const { selected, mode } = hands;
  const todo = measures?.todo ?? [];
  // The line of life shows a reading as done once its last point is kept.
  const complete = work.page !== null && work.kept.name === "kept" && work.page.measures.todo.length === 0;
  const wasComplete = useRef<boolean | null>(null);
  useEffect(() => {
    if (work.page === null) return;
    if (wasComplete.current !== null && wasComplete.current !== complete) onStanding();
    wasComplete.current = complete;
  }, [complete, work.page !== null]);
  // Marks that a snap brought along are not counted as points to place.
  const all = stops(state, order, todo).filter((key) => todo.includes(key) || byName.get(nameOf(key))?.optional === false);
  const waiting = state.found.length;
  const numbers = useMemo(() => numbersByKey(measures), [measures]);

  const violet: Action =
    mode.name === "outline"
      ? { id: "reading.close", title: "Close it", keys: ["Enter", " "], violet: true, foot: "close the outline", run: hands.closeOutline }
      : {
          id: "reading.accept",
          title: selected && !state.found.includes(selected) ? "Go on" : "Accept",
          keys: [" "],
          written: "Space",
          foot: "accept",
          violet: true,
          run: () => orPressFocused(hands.acceptSelected),
        };
  const onward: Action = {
    id: "reading.onward",
    title: "Compare cut levels",
    keys: [],
    violet: selected === null && mode.name === "place",
    run: () => go(pathOfRoute({ page: "comparison", hip: hip.hip_id })),
  };
  const movable = selected !== null && selected in state.points;
  const nudges: Action[] = movable
    ? [
        { id: "reading.up", title: "Nudge up 0.1 mm", keys: ["ArrowUp"], foot: scale === null ? "nudge ½ px" : "nudge 0.1 mm", written: "arrows", run: () => hands.nudge(0, -1) },
        { id: "reading.downward", title: "Nudge down", keys: ["ArrowDown"], run: () => hands.nudge(0, 1) },
        { id: "reading.leftward", title: "Nudge left on the picture", keys: ["ArrowLeft"], run: () => hands.nudge(-1, 0) },
        { id: "reading.rightward", title: "Nudge right on the picture", keys: ["ArrowRight"], run: () => hands.nudge(1, 0) },
      ]
    : [];
  const actions: Action[] = [
    violet,
    onward,
    ...nudges,
    ...viewActions(control),
    { id: "reading.next", title: "Next point", keys: ["n"], run: () => void hands.skip(1) },
    { id: "reading.previous", title: "Point before", keys: ["Shift+n", "b"], run: () => void hands.skip(-1) },
    { id: "reading.delete", title: "Take this mark away", keys: ["Delete", "Backspace"], run: hands.removeSelected },
    { id: "reading.acceptAll", title: "Accept all that was found", keys: ["Shift+a"], closed: waiting === 0 ? "Nothing waits to be accepted." : null, run: () => work.commit(acceptAll(state), "accepted all") },
    { id: "reading.undo", title: "Undo", keys: ["u", "Ctrl+z"], foot: "undo", closed: work.page?.can_undo === false ? "Nothing to undo." : null, run: work.undo },
    { id: "reading.redo", title: "Redo", keys: ["Shift+u", "Ctrl+Shift+z"], closed: work.page?.can_redo === false ? "Nothing to redo." : null, run: work.redo },
    { id: "reading.lesion", title: "Outline dead bone", keys: ["o"], run: () => hands.beginOutline("lesion", hip.side, true) },
    { id: "reading.otherLesion", title: "Outline dead bone, the other hip", keys: ["Shift+o"], run: () => hands.beginOutline("lesion", hip.side === "left" ? "right" : "left", true) },
    { id: "reading.collapse", title: `Outline the flattened surface, ${hip.side}`, keys: ["c"], run: () => hands.beginOutline("collapse", hip.side, false) },
    { id: "reading.signs", title: signsOpen ? "Measures" : "Signs and stage", keys: ["s"], run: () => setSigns((open) => !open) },
    { id: "reading.again", title: work.page?.repeat_of != null ? "End the repeat reading" : "Read this film once more, for repeatability", keys: ["Shift+r"], run: work.again },
    { id: "reading.side", title: "Two films side by side", keys: ["d"], run: () => go(pathOfRoute({ page: "films", hip: hip.hip_id })) },
  ];
  if (mode.name !== "place") actions.unshift({ id: "reading.back", title: "Leave this outline", keys: ["Escape"], run: hands.backToPlace });

  const onSign = (sign: keyof SignsIn, seen: boolean | null, words: string): void =>
    work.commit(setSign(state, hip.side, sign, seen), `sign: ${words}`);
  const onTab = (event: KeyboardEvent): void => {
    if (event.key !== "Tab" || !(event.target as Element).classList.contains("fv")) return;
    // At either end Tab leaves the film, so that the keyboard is never caught in it.
    if (hands.skip(event.shiftKey ? -1 : 1)) event.preventDefault();
  };
  const plate = keptWords(work.kept, work.error, work.page?.reader ?? "", work.page?.saved_at ?? null, "Reading");

  return (
    <Shell
      title={`Reading, ${hip.side} hip`}
      ground="dark"
      here="reading"
      hip={plateOf(hip)}
      state={plate}
      actions={actions}
      back={pathOfRoute({ page: "hip", hip: hip.hip_id })}
      mainClass="rd"
    >
      <div class="rd-film" onKeyDown={onTab}>
        <FilmViewer
          filmId={film.film_id}
          grey={film.grey}
          control={control}
          says={`${film.card.words}. ${selected ? `Now: ${labelOf(selected)}.` : ""}`}
          corners={cornersOf(film, view, hip.side)}
          scale={scale}
          tool={hands.tool}
          marks={(looking) => (
            <ReadingMarks
              view={looking}
              state={state}
              drawn={measures?.drawn ?? []}
              numbers={numbers}
              selected={selected}
              pending={mode.name === "asking" ? mode.clicks : []}
              pendingOutline={mode.name === "outline" ? mode.corners : null}
              labelOf={labelOf}
            />
          )}
        >
          <div class="fv-key">
            <span class="placed">
              <LegendMark kind="placed" /> placed by you
            </span>
            <span class="found">
              <LegendMark kind="found" /> found on the image
            </span>
            <span>
              <LegendMark kind="measured" /> measured from both
            </span>
          </div>
        </FilmViewer>
        {work.kept.name === "stopped" && (
          <div class="rd-conflict" role="alert">
            <p class="says">{work.kept.says}</p>
            <Press onPress={work.takeTheirs}>Show the later reading</Press>
            <Press onPress={work.keepMine}>Keep mine after it</Press>
          </div>
        )}
      </div>
      <aside class="rd-side">
        <ScaleStrip film={film} hip={hip.hip_id} />
        {work.page?.repeat_of != null && (
          <p class="rd-repeat">
            A repeat reading{work.page.reader === NOBODY ? "" : ` by ${work.page.reader}`}: it stands beside the one in use, shows how far readings differ, and plans nothing.{" "}
            <Press size="sm" kind="plain" onPress={work.again}>
              End it
            </Press>
          </p>
        )}
        {film.side_letter === null && (
          <p class="rd-warning">
            No one has confirmed the side letter of this film. <Link to={pathOfRoute({ page: "film", hip: hip.hip_id, film: film.film_id })}>Look at it</Link> before these numbers are used.
          </p>
        )}
        {measures?.warnings.map((warning) => (
          <p class="rd-warning" key={warning}>
            {warning}
          </p>
        ))}
        {signsOpen ? (
          <SignsForm see={below.see} side={hip.side} state={state} measures={measures} onSign={onSign} />
        ) : (
          <section class="rd-measures" ref={below.see}>
            {work.error && !work.page ? <p class="says">{work.error.message}</p> : null}
            {measures && measures.rows.every((row) => !hasValue(row)) && <p class="says">No number yet. Each one appears as soon as its points are placed.</p>}
            <MeasureTable rows={measures?.rows ?? []} />
            {measures && measures.stages.length > 0 && <Stages measures={measures} />}
            <Repeats film={film.film_id} hip={hip.hip_id} turn={`${work.page?.step ?? 0} ${work.page?.repeat_of ?? ""}`} />
          </section>
        )}
        {below.hidden > 0 && (
          <button type="button" class="rd-more" onClick={below.onward}>
            ↓ more below
          </button>
        )}
        {measures && !signsOpen && <PelvisLines measures={measures} />}
        <NextBox
          mode={mode}
          selected={selected}
          state={state}
          landmark={selected ? (byName.get(nameOf(selected)) ?? null) : null}
          landmarks={landmarks}
          view={view}
          label={mode.name === "outline" ? labelOf(mode.key) : mode.name === "asking" ? capital(labelOf(mode.key)) : selected ? capital(labelOf(selected)) : ""}
          place={{ index: selected ? all.indexOf(selected) + 1 : all.length, of: all.length }}
          said={selected ? hands.saidOf(selected) : null}
          snapping={hands.snapping}
          violet={violet}
          onward={onward}
          finding={measures?.finding ?? ""}
        />
        <p class="rd-links">
          <ActionPress action={actions.find((action) => action.id === "reading.signs") as Action} kind="plain" />
          <ActionPress action={actions.find((action) => action.id === "reading.lesion") as Action} kind="plain" />
          {hip.films
            .filter((other) => other.film_id !== film.film_id && other.used_here)
            .slice(0, 2)
            .map((other) => (
              <Link key={other.film_id} class="btn plain" to={pathOfRoute({ page: "reading", hip: hip.hip_id, film: other.film_id })}>
                {other.view === view ? `Film of ${dateWords(other.taken)}` : other.view === "lateral_hip" ? "Lateral film" : "AP film"}
              </Link>
            ))}
        </p>
      </aside>
    </Shell>
  );
}

/** Numbers by the key of the line they are drawn along: `right.femoral_offset_mm`. */
function numbersByKey(measures: MeasuresOut | null): ReadonlyMap<string, Measure> {
  const found = new Map<string, Measure>();
  for (const row of measures?.rows ?? []) {
    if (row.right) found.set(`right.${row.key}`, row.right);
    if (row.left) found.set(`left.${row.key}`, row.left);
  }
  return found;
}

const OUTLINE_WORDS: Readonly<Record<string, string>> = { lesion: "dead bone", collapse: "flattened surface", head: "head", crescent: "crescent line" };

/** All landmark keys of this view, in the landmark table's order, the hip under study first. */
function orderOf(landmarks: LandmarkPage, view: View, side: "left" | "right"): string[] {
  const sides = view === "ap_pelvis" ? [side, side === "left" ? "right" : "left"] as const : [side];
  return landmarks.landmarks
    .filter((landmark) => landmark.views.includes(view))
    .flatMap((landmark) => (landmark.sided ? sides.map((which) => keyOf(landmark.key, which)) : [landmark.key]));
}

const capital = (words: string): string => words.charAt(0).toUpperCase() + words.slice(1);

/** Space on a focused button presses that button; anywhere else it accepts. */
function orPressFocused(run: () => void): void {
  const focused = document.activeElement;
  if (focused instanceof HTMLElement && focused.matches("button, a[href], summary, input")) focused.click();
  else run();
}
