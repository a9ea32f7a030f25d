/** The placement: a component and a cup on the film, moved by hand or key, with what each place leads to. */

import type { JSX } from "preact";
import { useCallback, useMemo, useState } from "preact/hooks";
import { at } from "../../api/client";
import type { Appraisal, FilmPage, HipPage, PlacementIn } from "../../api/schema";
import type { Action } from "../../model/actions";
import { digits, sideWords, valueWords } from "../../model/format";
import { nextElsewhere } from "../../model/next";
import { pathOfRoute } from "../../model/routes";
import { useLoad } from "../../parts/hooks";
import { useLazy } from "../../parts/lazy";
import { ActionPress, Press } from "../../parts/Press";
import { say } from "../../parts/keys";
import { go } from "../../parts/router";
import { plateOf, Shell } from "../../parts/Shell";
import { Stopped } from "../../parts/Stopped";
import { apFrame, type FilmFrame, moveInMm } from "../geometry/frame";
import { imagePoint, type MmPerPx } from "../geometry/types";
import { type Film, type Part, slid, turned, versioned } from "../model/placement";
import { keptWords } from "../model/words";
import { FilmViewer } from "../viewer/FilmViewer";
import type { Opening } from "../viewer/control";
import { scaleOf, useFilm } from "../viewer/useFilm";
import { viewActions } from "../viewer/viewActions";
import { Large, Lines } from "./Appraised";
import { OtherParts, SizeButtons } from "./Parts";
import { PlacementMarks } from "./PlacementMarks";
import { ReserveRule } from "./ReserveRule";
import { type PlacementWork, usePlacement } from "./usePlacement";
import { useLateralFrame } from "./useLateralFrame";
import { usePlacementTool } from "./usePlacementTool";

/** Arrow and bracket steps. */
const STEP_MM = 0.5;
const TURN_DEG = 0.5;

export function PlacementPage({ hip }: { hip: string }): JSX.Element {
  const hipPage = useLoad<HipPage>(at("/api/hips", hip));
  const work = usePlacement(hip);
  const apId = work.page?.film_id ?? null;
  const lateralId = work.page?.lateral_film_id ?? null;
  const ap = useLoad<FilmPage>(apId === null ? null : at("/api/films", apId, { hip }));
  const lateral = useLoad<FilmPage>(lateralId === null ? null : at("/api/films", lateralId, { hip }));
  const error = hipPage.error ?? (work.page ? null : work.error) ?? ap.error;
  const scan = work.page?.scan_id ?? null;
  if (hipPage.data && scan !== null && work.placement?.space && work.appraisal?.space) return <InSpace hip={hipPage.data} scan={scan} work={work} />;
  if (!hipPage.data || !work.page || !work.placement || !work.appraisal || !ap.data || (lateralId !== null && !lateral.data && !lateral.error)) {
    return (
      <Shell title="Placement" ground="dark" here="placement" hip={hipPage.data ? plateOf(hipPage.data) : null} back={pathOfRoute({ page: "hip", hip })}>
        {error ? <Stopped error={error} again={() => window.location.reload()} next={nextElsewhere(hip, hipPage.data?.next, "placement") ?? { words: "Compare the cut levels", path: pathOfRoute({ page: "comparison", hip }) }} /> : <p class="says wait">The placement is being opened.</p>}
      </Shell>
    );
  }
  return <Placing hip={hipPage.data} ap={ap.data} lateral={lateral.data} work={work} />;
}

const loadSpace = () => import("../../scan/placement/SpacePlacing");

/** A hip read from a scan is planned on its slices; what they need is fetched then. */
function InSpace({ hip, scan, work }: { hip: HipPage; scan: string; work: PlacementWork }): JSX.Element {
  const piece = useLazy(loadSpace);
  if (piece !== null && !(piece instanceof Error)) return <piece.SpacePlacing key={scan} hip={hip} scan={scan} work={work} />;
  return (
    <Shell title="Placement" ground="dark" here="placement" hip={plateOf(hip)} back={pathOfRoute({ page: "comparison", hip: hip.hip_id })}>
      {piece instanceof Error ? <Stopped error={piece} again={() => window.location.reload()} /> : <p class="says wait">The placement is being opened.</p>}
    </Shell>
  );
}

interface PlacingProps {
  hip: HipPage;
  ap: FilmPage;
  lateral: FilmPage | null;
  work: PlacementWork;
}

function Placing({ hip, ap, lateral, work }: PlacingProps): JSX.Element {
  const [part, setPart] = useState<Part>("component");
  const [large, setLarge] = useState<Film>("ap");
  const placement = work.placement as PlacementIn;
  const { page, appraisal } = work;
  const apOpening = useMemo(() => openingOn(appraisal?.drawing_film?.shapes ?? [], scaleOf(ap), AROUND_AP_MM), [ap.film_id]);
  const apControl = useFilm(ap, apOpening);
  const lateralFrame = useLateralFrame(hip.hip_id, lateral, placement);
  const pick = useCallback((next: PlacementIn, what: string) => work.commit(next, what), [work.commit]);
  const slide = (right: number, up: number): void => {
    const film = large === "ap" ? ap : lateral;
    const frame = large === "ap" ? apFrameOf(ap, hip.side) : lateralFrame;
    const scale = film ? scaleOf(film) : null;
    if (!frame || scale === null) return say("Without a scale nothing can be moved by millimetres.");
    // Arrows move on the picture; medial and anterior may lie on either side of it.
    const [first, second] = moveInMm(frame, (right * STEP_MM) / scale, (-up * STEP_MM) / (scale * frame.rowFactor));
    pick(slid(placement, part, large, first, second), `moved the ${part}`);
  };
  const turn = (by: number): void => pick(turned(placement, part, large, by), `turned the ${part}`);
  const keep: Action = {
    id: "placement.keep",
    title: "Keep this placement",
    keys: ["k"],
    foot: "keep",
    violet: true,
    closed: work.kept.name === "stopped" ? "Keep: choose first" : null,
    run: () => {
      // What the search found becomes the surgeon's by this press, moved or not.
      if (page?.saved_at === null && work.kept.name === "kept") work.commit(placement, "kept the best fit");
      void work.settled().then((all) => (all ? go(pathOfRoute({ page: "signature", hip: hip.hip_id })) : say("This placement is not kept yet.")));
    },
  };
  const best: Action = { id: "placement.best", title: "Best fit again", keys: ["r"], run: () => work.best() };
  const sizes = (page?.sizes ?? []).filter((size) => size.family === placement.family);
  const sizeAt = sizes.findIndex((size) => size.size === placement.size);
  const toSize = (index: number): void => {
    const size = sizes[index];
    if (size) pick({ ...placement, family: size.family, size: size.size }, `size ${size.size}`);
  };
  const actions: Action[] = [
    { id: "placement.up", title: `Move the ${part} up 0.5 mm`, keys: ["ArrowUp"], written: "arrows", foot: "move 0.5 mm", run: () => slide(0, 1) },
    { id: "placement.down", title: `Move the ${part} down 0.5 mm`, keys: ["ArrowDown"], run: () => slide(0, -1) },
    { id: "placement.left", title: `Move the ${part} left on the picture`, keys: ["ArrowLeft"], run: () => slide(-1, 0) },
    { id: "placement.right", title: `Move the ${part} right on the picture`, keys: ["ArrowRight"], run: () => slide(1, 0) },
    { id: "placement.turn", title: `Turn the ${part} 0.5° more valgus`, keys: ["]"], written: "[ ]", foot: "turn 0.5°", run: () => turn(TURN_DEG) },
    { id: "placement.turnBack", title: `Turn the ${part} 0.5° back`, keys: ["["], run: () => turn(-TURN_DEG) },
    { id: "placement.version", title: "Cup version 0.5° more", keys: ["}"], closed: placement.cup ? null : "There is no cup.", run: () => pick(versioned(placement, TURN_DEG), "turned the cup") },
    { id: "placement.versionLess", title: "Cup version 0.5° less", keys: ["{"], closed: placement.cup ? null : "There is no cup.", run: () => pick(versioned(placement, -TURN_DEG), "turned the cup") },
    { id: "placement.part", title: part === "cup" ? "Move the component instead" : "Move the cup instead", keys: ["c"], foot: part === "cup" ? "component" : "cup", closed: placement.cup ? null : "There is no cup.", run: () => setPart(part === "cup" ? "component" : "cup") },
    { id: "placement.larger", title: "Next larger size", keys: ["."], written: ", .", foot: "size", run: () => toSize(sizeAt + 1) },
    { id: "placement.smaller", title: "Next smaller size", keys: [","], run: () => toSize(sizeAt - 1) },
    { id: "placement.undo", title: "Undo", keys: ["u", "Ctrl+z"], foot: "undo", closed: page?.can_undo === false ? "Nothing to undo." : null, run: work.undo },
    { id: "placement.redo", title: "Redo", keys: ["Shift+u", "Ctrl+Shift+z"], closed: page?.can_redo === false ? "Nothing to redo." : null, run: work.redo },
    ...(lateral ? [{ id: "placement.swap", title: "Change the large film for the small one", keys: ["v"], foot: "other film", run: () => setLarge(large === "ap" ? "lateral" : "ap") }] : []),
    best,
    keep,
    ...viewActions(apControl).map(({ foot: _foot, ...action }) => action),
  ];
  const plate = keptWords(work.kept, work.error, "", page?.saved_at ?? null, "Placement");
  const ms = appraisal ? Math.round(work.liveMs ?? appraisal.ms) : null;
  return (
    <Shell
      title={`Placement, ${hip.side} hip`}
      ground="dark"
      here="placement"
      hip={plateOf(hip)}
      state={work.kept.name === "kept" ? { title: "Every move kept", detail: ms === null ? "" : `numbers after ${ms} ms` } : plate}
      actions={actions}
      back={pathOfRoute({ page: "comparison", hip: hip.hip_id })}
      mainClass="pl"
    >
      <div class={`pl-films large-${large}`}>
        <Pane film={ap} hip={hip} work={work} view="ap" frame={apFrameOf(ap, hip.side)} control={apControl} part={part} onPart={setPart} small={large !== "ap"} />
        {lateral && <LateralPane film={lateral} hip={hip} work={work} frame={lateralFrame} part={part} onPart={setPart} small={large !== "lateral"} />}
        {work.kept.name === "stopped" && (
          <div class="rd-conflict" role="alert">
            <p class="says">{work.kept.says}</p>
            <Press onPress={work.takeTheirs}>Show the later placement</Press>
            <Press onPress={work.keepMine}>Keep mine after it</Press>
          </div>
        )}
      </div>
      <ReserveRule reserve={appraisal?.reserve ?? null} moving={work.moving} />
      {appraisal && page && (
        <aside class="pl-side">
          <div class="pl-comp">
            <div>
              <h2>{appraisal.title}</h2>
              <span class="k">{appraisal.family_words}</span>
            </div>
            <SizeButtons page={page} placement={placement} onPick={pick} />
          </div>
          <Large appraisal={appraisal} page={page} onAim={work.aim} />
          <Lines appraisal={appraisal} />
          <OtherParts page={page} placement={placement} onPick={pick} />
          {appraisal.binding && <p class="says pl-binding">{appraisal.binding}</p>}
          <div class="pl-act">
            <ActionPress action={best} />
            <ActionPress action={keep} kind="do" />
          </div>
        </aside>
      )}
    </Shell>
  );
}

interface PaneProps {
  film: FilmPage;
  hip: HipPage;
  work: PlacementWork;
  frame: FilmFrame | null;
  part: Part;
  onPart: (part: Part) => void;
  small: boolean;
}

function LateralPane(props: PaneProps): JSX.Element {
  const { film, work } = props;
  const opening = useMemo(() => openingOn(work.appraisal?.drawing_lateral?.shapes ?? [], scaleOf(film), AROUND_LATERAL_MM), [film.film_id]);
  const control = useFilm(film, opening);
  return <Pane {...props} view="lateral" control={control} />;
}

function Pane({ film, hip, work, view, frame, control, part, onPart, small }: PaneProps & { view: Film; control: ReturnType<typeof useFilm> }): JSX.Element {
  const drawing = (view === "ap" ? work.appraisal?.drawing_film : work.appraisal?.drawing_lateral) ?? null;
  const labels = useMemo(() => labelsOf(work.appraisal, view, part), [work.appraisal, view, part]);
  const tool = usePlacementTool({ work, drawing, frame, film: view, onPart });
  return (
    <div class={`pl-pane ${view}${small ? "" : " big"}`}>
      <FilmViewer
        filmId={film.film_id}
        grey={film.grey}
        control={control}
        says={`${film.card.words}, with the placement`}
        corners={{ left: small ? `${hip.side === "right" ? "Right" : "Left"}, ${view === "ap" ? "AP" : "lateral"}` : sideWords(hip.side), right: null }}
        scale={scaleOf(film)}
        tool={tool}
        small={small}
        marks={(looking) => (
          <PlacementMarks
            view={looking}
            drawing={drawing}
            drawnFor={work.appraisal?.placement ?? null}
            placement={work.placement}
            frame={frame}
            film={view}
            part={part}
            labels={labels}
            small={small}
          />
        )}
      />
    </div>
  );
}

/** Words on the film: numbers of the appraisal beside what they belong to. */
function labelsOf(appraisal: Appraisal | null, view: Film, part: Part): Record<string, string> {
  const words: Record<string, string> = { dead: "dead bone" };
  if (part === "cup") words["cup"] = "cup: the arrows move it";
  const number = (key: string) => appraisal?.lines.find((line) => line.number.key === key)?.number ?? null;
  const cut = number("cut_depth_mm");
  if (cut && cut.value !== null) words["cut"] = `cut ${valueWords(cut)} mm`;
  const turn = number(view === "ap" ? "valgus_to_neck_deg" : "anterior_to_neck_deg");
  if (turn && turn.value !== null) {
    const [more, less] = view === "ap" ? ["valgus", "varus"] : ["anterior", "posterior"];
    words["axis"] = `guide wire, ${digits(Math.abs(turn.value), turn.decimals)}° ${turn.value < 0 ? less : more}`;
  }
  return words;
}

/** Films open on the component with this much around it, mm. */
const AROUND_AP_MM = 28;
const AROUND_LATERAL_MM = 22;

function openingOn(shapes: readonly { role: string; points: readonly (readonly [number, number])[] }[], scale: MmPerPx | null, around_mm: number): Opening {
  const points = shapes.filter((shape) => shape.role === "component" || shape.role === "cup").flatMap((shape) => shape.points);
  if (points.length === 0) return "fit";
  const margin = scale === null ? 120 : around_mm / scale;
  const columns = points.map((point) => point[0]);
  const rows = points.map((point) => point[1]);
  return {
    box: [
      imagePoint(Math.min(...columns) - margin, Math.min(...rows) - margin),
      imagePoint(Math.max(...columns) + margin, Math.max(...rows) + margin),
    ],
  };
}

function apFrameOf(film: FilmPage, side: "left" | "right"): FilmFrame | null {
  const scale = scaleOf(film);
  return scale === null || film.columns_to_left === null ? null : apFrame(side, film.columns_to_left, scale, film.grey.row_factor || 1);
}
