/** A placement on a scan: four planes and a picture in space, moved by hand or key, with what each place leads to. */

import type { JSX } from "preact";
import { useCallback, useEffect, useMemo, useRef, useState } from "preact/hooks";
import "../../film/film.css";
import "../scan.css";
import { at } from "../../api/client";
import type { Appraisal, HipPage, PlacementIn, ScanPage, SpaceView } from "../../api/schema";
import { type Part, turned as turnedOnFilm, versioned } from "../../film/model/placement";
import { keptWords } from "../../film/model/words";
import { Large, Lines } from "../../film/placement/Appraised";
import { OtherParts, SizeButtons } from "../../film/placement/Parts";
import { ReserveRule } from "../../film/placement/ReserveRule";
import type { PlacementWork } from "../../film/placement/usePlacement";
import type { Action } from "../../model/actions";
import { sideWords, valueWords } from "../../model/format";
import { pathOfRoute } from "../../model/routes";
import { useLoad, useStore } from "../../parts/hooks";
import { say } from "../../parts/keys";
import { ActionPress, Press } from "../../parts/Press";
import { go } from "../../parts/router";
import { plateOf, Shell } from "../../parts/Shell";
import { Stopped } from "../../parts/Stopped";
import { gridOf, type Grid } from "../geometry/grid";
import { AXIAL, type Facing, FRONTAL, neckFacing, type PlaneName, SAGITTAL } from "../geometry/plane";
import type { MeshData } from "../geometry/section";
import { add, scale, type Vec } from "../geometry/vec";
import { labelVolume } from "../grey/volume";
import { ScanControl, ZOOM_STEP } from "../model/control";
import { carried, moved, originOf, rolled, turned } from "../model/place";
import { type PaneShared, ScanPane } from "../pane/ScanPane";
import { useSlices } from "../room/useScan";
import { SpaceBox } from "../space/SpaceBox";
import { solidPath, surface } from "../space/surfaces";
import { PlacedMarks } from "./PlacedMarks";
import { PlannedFilm } from "./PlannedFilm";
import { usePlaceTool } from "./usePlaceTool";

const STEP_MM = 0.5;
const FAR_MM = 2;
const TURN_DEG = 0.5;
const ROLL_DEG = 1;
/** Panes open on this much around the part, mm. */
const AROUND_MM = 96;
/** The picture in space follows a hand so often, ms: the planes follow at once. */
const SPACE_MS = 140;

const COLOURS = { femur: "#8fd6ee", pelvis: "#aeb8b5", lesion: "#8fd6ee", casing: "#0b0e0f" };
const TITLES: Readonly<Record<PlaneName, string>> = { frontal: "frontal", sagittal: "sagittal", axial: "axial", neck: "along the neck" };

export function SpacePlacing({ hip, scan, work }: { hip: HipPage; scan: string; work: PlacementWork }): JSX.Element {
  const page = useLoad<ScanPage>(at("/api/scans", scan, { hip: hip.hip_id }));
  const grid = useMemo(() => (page.data ? gridOf(page.data.grid) : null), [page.data ? JSON.stringify(page.data.grid) : ""]);
  if (!page.data || !grid) {
    return (
      <Shell title="Placement" ground="dark" here="placement" hip={plateOf(hip)} back={pathOfRoute({ page: "comparison", hip: hip.hip_id })}>
        {page.error ? <Stopped error={page.error} again={page.again} /> : <p class="says wait">The scan is being opened.</p>}
      </Shell>
    );
  }
  return <Placing hip={hip} page={page.data} grid={grid} work={work} />;
}

interface PlacingProps {
  hip: HipPage;
  page: ScanPage;
  grid: Grid;
  work: PlacementWork;
}

function Placing({ hip, page, grid, work }: PlacingProps): JSX.Element {
  const placement = work.placement as PlacementIn;
  const appraisal = work.appraisal as Appraisal;
  const server = appraisal.space as SpaceView;
  const [part, setPart] = useState<Part>("component");
  const [large, setLarge] = useState<PlaneName | null>(null);
  const [film, setFilm] = useState(false);
  const [quiet, setQuiet] = useState(false);
  const view = useMemo(() => carried(server, appraisal.placement, placement), [server, appraisal.placement, placement]);
  const slow = useSlow(view, SPACE_MS);
  const mesh = useMesh(view.component);
  const { slices, says } = useSlices(page, grid);
  const labels = useLabels(page);
  const control = useMemo(() => new ScanControl(grid, page.window, { centre: originOf(server), around_mm: AROUND_MM }), [grid]);
  const neckKey = page.neck_plane ? JSON.stringify(page.neck_plane) : "";
  const neck = useMemo(() => (page.neck_plane ? neckFacing(page.neck_plane, page.side) : null), [neckKey, page.side]);
  useEffect(() => control.active.set(neck ? "neck" : "frontal"), [control, neck]);
  const active = useStore(control.active);
  const tool = usePlaceTool({ work, view, mesh, control, onPart: setPart });
  const head = page.markers.find((marker) => marker.kind === "sphere")?.points[0] ?? view.head_centre;

  const pick = useCallback((next: PlacementIn, what: string) => work.commit(next, what), [work.commit]);
  const facing: Facing = control.look(active).get()?.facing ?? FRONTAL;
  const slide = (right: number, down: number, mm: number): void => {
    const by: Vec = add(scale(facing.right, right * mm), scale(facing.down, down * mm));
    pick(moved(placement, part, view.hip_axes, by), `moved the ${part}`);
  };
  const turn = (deg: number): void => pick(part === "cup" ? turnedOnFilm(placement, "cup", "ap", deg) : turned(placement, view.hip_axes, facing.normal, deg), `turned the ${part}`);
  const roll = (deg: number): void => (part === "cup" ? pick(versioned(placement, deg / 2), "turned the cup") : pick(rolled(placement, deg), "rolled the component"));
  const sizes = (work.page?.sizes ?? []).filter((size) => size.family === placement.family);
  const sizeAt = sizes.findIndex((size) => size.size === placement.size);
  const toSize = (index: number): void => {
    const size = sizes[index];
    if (size) pick({ ...placement, family: size.family, size: size.size }, `size ${size.size}`);
    else say("There is no further size in this family.");
  };
  const onPane = (run: () => void) => () => {
    if (document.activeElement instanceof HTMLElement && document.activeElement.dataset["plane"] === "space") return;
    run();
  };
  const keep: Action = {
    id: "placement.keep",
    title: "Keep this placement",
    keys: ["k"],
    foot: "keep",
    violet: true,
    closed: work.kept.name === "stopped" ? "Keep: choose first" : null,
    run: () => {
      if (work.page?.saved_at === null && work.kept.name === "kept") work.commit(placement, "kept the best fit");
      void work.settled().then((all) => (all ? go(pathOfRoute({ page: "signature", hip: hip.hip_id })) : say("This placement is not kept yet.")));
    },
  };
  const best: Action = { id: "placement.best", title: "Best fit again", keys: ["r"], run: () => work.best() };
  const planned: Action = {
    id: "placement.film",
    title: "Planned film",
    keys: ["b"],
    run: () => void work.settled().then((all) => (all ? setFilm(true) : say("This placement is not kept yet."))),
  };
  const arrows = (mm: number, key: string): Action[] =>
    (
      [
        ["Up", 0, -1],
        ["Down", 0, 1],
        ["Left", -1, 0],
        ["Right", 1, 0],
      ] as const
    ).map(([way, right, down]) => ({
      id: `placement.${way.toLowerCase()}${key}`,
      title: `Move the ${part} ${way.toLowerCase()} on the picture ${mm} mm`,
      keys: [`${key}Arrow${way}`],
      ...(key === "" && way === "Up" ? { written: "arrows", foot: "move 0.5 mm" } : {}),
      run: onPane(() => slide(right, down, mm)),
    }));
  const actions: Action[] = [
    ...arrows(STEP_MM, ""),
    ...arrows(FAR_MM, "Shift+"),
    { id: "placement.turn", title: `Turn the ${part} 0.5° clockwise on the picture`, keys: ["]"], written: "[ ]", foot: "turn 0.5°", run: onPane(() => turn(TURN_DEG)) },
    { id: "placement.turnBack", title: `Turn the ${part} 0.5° back`, keys: ["["], run: onPane(() => turn(-TURN_DEG)) },
    { id: "placement.roll", title: part === "cup" ? "Cup version 0.5° more" : "Roll the component 1° about its axis", keys: ["."], written: ", .", foot: part === "cup" ? "version 0.5°" : "roll 1°", run: onPane(() => roll(ROLL_DEG)) },
    { id: "placement.rollBack", title: part === "cup" ? "Cup version 0.5° less" : "Roll the component 1° back", keys: [","], run: onPane(() => roll(-ROLL_DEG)) },
    { id: "placement.larger", title: "Next larger size", keys: ["+", "="], written: "+ −", foot: "size", run: onPane(() => toSize(sizeAt + 1)) },
    { id: "placement.smaller", title: "Next smaller size", keys: ["-"], run: onPane(() => toSize(sizeAt - 1)) },
    { id: "placement.part", title: part === "cup" ? "Move the component instead" : "Move the cup instead", keys: ["c"], foot: part === "cup" ? "component" : "cup", closed: placement.cup ? null : "There is no cup.", run: () => setPart(part === "cup" ? "component" : "cup") },
    { id: "placement.undo", title: "Undo", keys: ["u", "Ctrl+z"], foot: "undo", closed: work.page?.can_undo === false ? "Nothing to undo." : null, run: work.undo },
    { id: "placement.redo", title: "Redo", keys: ["Shift+u", "Ctrl+Shift+z"], closed: work.page?.can_redo === false ? "Nothing to redo." : null, run: work.redo },
    planned,
    { id: "placement.slice", title: "Next slice of the pane in focus", keys: ["PageDown"], written: "PgUp PgDn", run: () => control.turnSlices(active, 1) },
    { id: "placement.sliceBack", title: "Slice before", keys: ["PageUp"], run: () => control.turnSlices(active, -1) },
    { id: "placement.centre", title: "The planes through the part again", keys: ["0"], run: () => control.goTo(originOf(view)) },
    { id: "placement.wall", title: "The planes through the least wall", keys: ["n"], closed: view.least_wall_at ? null : "Where the least wall lies is not known.", run: () => view.least_wall_at && control.goTo(view.least_wall_at) },
    { id: "placement.large", title: large ? "All pictures" : "The pane in focus alone", keys: ["m"], run: () => setLarge(large ? null : active) },
    { id: "placement.outlines", title: quiet ? "Show the outlines" : "Hide the outlines", keys: ["x"], run: () => setQuiet(!quiet) },
    { id: "placement.light", title: "Light: drag changes the window", keys: ["l"], run: () => control.light.set((now) => !now) },
    { id: "placement.zoomIn", title: "Zoom in", keys: ["z"], run: () => control.zoom(ZOOM_STEP) },
    { id: "placement.zoomOut", title: "Zoom out", keys: ["Shift+z"], run: () => control.zoom(1 / ZOOM_STEP) },
    best,
    keep,
  ];
  const words = (key: string, before: string): string | null => {
    const n = appraisal.lines.find((line) => line.number.key === key)?.number;
    return n && n.value !== null ? `${before} ${valueWords(n)} mm` : null;
  };
  const shared: PaneShared = { grid, control, slices, labels: quiet ? null : labels, colours: COLOURS, side: sideWords(page.side), wait: says ?? "The scan is being opened." };
  const panes: { name: PlaneName; facing: Facing | null }[] = [
    { name: "neck", facing: neck },
    { name: "frontal", facing: FRONTAL },
    { name: "sagittal", facing: SAGITTAL },
    { name: "axial", facing: AXIAL },
  ];
  const pane = ({ name, facing }: { name: PlaneName; facing: Facing | null }): JSX.Element | null =>
    facing && (
      <div key={name} class={`ps-${name}`}>
        <ScanPane
          {...shared}
          name={name}
          title={TITLES[name]}
          facing={facing}
          tool={tool}
          marks={(look, cross) => <PlacedMarks view={view} mesh={mesh} look={look} cross={cross} part={part} cut_words={name === "neck" || large ? words("cut_depth_mm", "cut") : null} wall_words={name === active || large ? words("least_wall_mm", "least wall") : null} />}
        />
      </div>
    );
  const ms = Math.round(work.liveMs ?? appraisal.ms);
  return (
    <Shell
      title={`Placement, ${hip.side} hip`}
      ground="dark"
      here="placement"
      hip={plateOf(hip)}
      state={work.kept.name === "kept" ? { title: "Every move kept", detail: `numbers after ${ms} ms` } : keptWords(work.kept, work.error, "", work.page?.saved_at ?? null, "Placement")}
      actions={actions}
      back={pathOfRoute({ page: "comparison", hip: hip.hip_id })}
      mainClass="pl ps"
    >
      <div class={`ps-planes${large ? " alone" : ""}`} role="group" aria-label="Planes of the scan with the placement">
        {panes.filter(({ name }) => large === null || name === large).map(pane)}
        {large === null && (
          <div class="ps-space">
            <SpaceBox meshes={page.meshes} side={page.side} centre={head} neck={page.neck_plane} view={slow} placed={appraisal.placement} hip={hip.hip_id} />
          </div>
        )}
        {work.kept.name === "stopped" && (
          <div class="rd-conflict" role="alert">
            <p class="says">{work.kept.says}</p>
            <Press onPress={work.takeTheirs}>Show the later placement</Press>
            <Press onPress={work.keepMine}>Keep mine after it</Press>
          </div>
        )}
      </div>
      <ReserveRule reserve={appraisal.reserve ?? null} moving={work.moving} />
      {work.page && (
        <aside class="pl-side">
          <div class="pl-comp">
            <div>
              <h2>{appraisal.title}</h2>
              <span class="k">{appraisal.family_words}</span>
            </div>
            <SizeButtons page={work.page} placement={placement} onPick={pick} />
          </div>
          <Large appraisal={appraisal} page={work.page} onAim={work.aim} />
          <Lines appraisal={appraisal} />
          <OtherParts page={work.page} placement={placement} onPick={pick} />
          {appraisal.binding && <p class="says pl-binding">{appraisal.binding}</p>}
          <button type="button" class="pl-more ps-film" onClick={planned.run}>
            Planned film beside the real film <kbd>B</kbd>
          </button>
          <div class="pl-act">
            <ActionPress action={best} />
            <ActionPress action={keep} kind="do" />
          </div>
        </aside>
      )}
      {film && <PlannedFilm hip={hip.hip_id} side={page.side} close={() => setFilm(false)} />}
    </Shell>
  );
}

function useMesh(component: string): MeshData | null {
  const [mesh, set] = useState<{ component: string; mesh: MeshData } | null>(null);
  useEffect(() => {
    let current = true;
    surface(solidPath(component)).then(
      (got) => current && set({ component, mesh: got }),
      (error: unknown) => current && say((error as Error).message),
    );
    return () => {
      current = false;
    };
  }, [component]);
  return mesh && mesh.component === component ? mesh.mesh : null;
}

function useLabels(page: ScanPage): Uint8Array | null {
  const [labels, set] = useState<Uint8Array | null>(null);
  useEffect(() => {
    if (page.segmentation.state !== "found") return;
    let current = true;
    labelVolume(page).then(
      (got) => current && set(got),
      (error: unknown) => current && say((error as Error).message),
    );
    return () => {
      current = false;
    };
  }, [page.scan_id, page.volume_version, page.segmentation.state]);
  return labels;
}

/** A value that changes at most so often, and always to the last one. */
function useSlow<T>(value: T, ms: number): T {
  const [shown, set] = useState(value);
  const last = useRef({ at: 0, value });
  last.current.value = value;
  useEffect(() => {
    const wait = last.current.at + ms - performance.now();
    const take = (): void => {
      last.current.at = performance.now();
      set(() => last.current.value);
    };
    if (wait <= 0) return take();
    const timer = setTimeout(take, wait);
    return () => clearTimeout(timer);
  }, [value, ms]);
  return shown;
}
