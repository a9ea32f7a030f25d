/** The scan: three planes and one along the neck, outlines found and corrected, and what they measure. */

import type { JSX } from "preact";
import { useEffect, useMemo, useState } from "preact/hooks";
import { at } from "../../api/client";
import type { HipPage, ScanPage as Page } from "../../api/schema";
import { keptWords } from "../../film/model/words";
import type { Action } from "../../model/actions";
import { sideWords } from "../../model/format";
import { nextElsewhere } from "../../model/next";
import { pathOfRoute } from "../../model/routes";
import { useKept, useLoad, useMoreBelow, useStore } from "../../parts/hooks";
import { say } from "../../parts/keys";
import { ActionPress, Press } from "../../parts/Press";
import { Progress } from "../../parts/Progress";
import { go } from "../../parts/router";
import { plateOf, Shell } from "../../parts/Shell";
import { Stopped } from "../../parts/Stopped";
import { type Grid, middleOf } from "../geometry/grid";
import { AXIAL, type Facing, FRONTAL, neckFacing, type PlaneName, SAGITTAL } from "../geometry/plane";
import { type Outlined } from "../grey/reslice";
import { ScanControl, WINDOWS, ZOOM_STEP } from "../model/control";
import { Markers } from "../pane/markers";
import { type PaneShared, ScanPane } from "../pane/ScanPane";
import { SpaceBox } from "../space/SpaceBox";
import { CorrectionMarks } from "./CorrectionMarks";
import { Agreement, Calibration, Findings, Header, Measures, Next, SideAsk } from "./Side";
import { LABELS, type Tool, useCorrections } from "./useCorrections";
import { type ScanWork, useScan } from "./useScan";

/** The reading room's own colours, as canvas takes them: `--found` and `--mark` on dark. */
const FOUND = "#8fd6ee";
const MARK = "#c9a9ff";
const GHOST = "#aeb8b5";
const CASING = "#0b0e0f";

/** Panes open on this much around the head, or on the whole volume, mm. */
const AROUND_HEAD_MM = 120;
const AROUND_WHOLE_MM = 190;

export function ScanPage({ hip, scan }: { hip: string; scan: string }): JSX.Element {
  const life = useLoad<HipPage>(at("/api/hips", hip));
  const work = useScan(hip, scan);
  const { page, grid } = work;
  // The line and the next step follow when the scan has been read.
  const state = page?.segmentation.state;
  useEffect(() => {
    if (state && life.data) life.again();
  }, [state]);
  if (!life.data || !page || !grid) {
    const error = life.error ?? work.error;
    return (
      <Shell title="Scan" ground="dark" here="scan" hip={life.data ? plateOf(life.data) : null} back={pathOfRoute({ page: "hip", hip })}>
        {error ? <Stopped error={error} again={() => (life.again(), work.again())} next={nextElsewhere(hip, life.data?.next, "scan")} /> : <p class="says wait">The scan is being opened.</p>}
      </Shell>
    );
  }
  return <Room key={page.scan_id} life={life.data} page={page} grid={grid} work={work} />;
}

interface RoomProps {
  life: HipPage;
  page: Page;
  grid: Grid;
  work: ScanWork;
}

const TITLES: Readonly<Record<PlaneName, string>> = { frontal: "frontal", sagittal: "sagittal", axial: "axial", neck: "along the neck" };

function Room({ life, page, grid, work }: RoomProps): JSX.Element {
  const head = page.markers.find((marker) => marker.kind === "sphere")?.points[0] ?? null;
  const opened = page.segmentation.state === "found" && head !== null;
  const control = useMemo(
    () => new ScanControl(grid, page.window, opened && head ? { centre: head, around_mm: AROUND_HEAD_MM } : { centre: middleOf(grid), around_mm: AROUND_WHOLE_MM }),
    [grid, opened],
  );
  const hand = useCorrections(control, work.correct);
  const [large, setLarge] = useState<PlaneName | null>(null);
  const [space, setSpace] = useKept<boolean>(`scan space ${page.scan_id}`, false);
  const [quiet, setQuiet] = useState(false);
  const [fromCross, setFromCross] = useState(false);
  const active = useStore(control.active);
  const cut = useStore(hand.cut);
  const neckKey = page.neck_plane ? JSON.stringify(page.neck_plane) : "";
  const neck = useMemo(() => (page.neck_plane ? neckFacing(page.neck_plane, page.side) : null), [neckKey, page.side]);
  const { segmentation } = page;
  const found = segmentation.state === "found";
  const reading = segmentation.state === "working" || (work.job !== null && !found);
  const side = sideWords(page.side);
  const corrected = segmentation.last_edit !== null;
  const drawn = page.lesions.some((lesion) => lesion.kind === "drawn");
  const colours = useMemo(() => ({ femur: corrected ? MARK : FOUND, pelvis: GHOST, lesion: drawn || corrected ? MARK : FOUND, casing: CASING }), [corrected, drawn]);
  const hidden = useMemo(() => new Set<Outlined>(quiet ? ["femur", "pelvis", "lesion"] : []), [quiet]);
  const shared: PaneShared = { grid, control, slices: work.slices, labels: work.labels, colours, hidden, side, wait: work.volumeSays ?? "The scan is being opened." };

  const use = (tool: Tool): void => {
    if (tool !== "look" && !found) return say("There are no outlines to correct yet. Find the bone first.");
    hand.use(tool);
    if (tool !== "look") say(TOOL_SAYS[tool]);
  };
  const focused = (): boolean => document.activeElement instanceof HTMLElement && document.activeElement.dataset["plane"] !== undefined;
  const onPane = (run: () => void) => () => (focused() ? run() : document.querySelector<HTMLElement>(`[data-plane=${active}]`)?.focus());
  const read: Action = {
    id: "scan.read",
    title: segmentation.state === "failed" ? "Find the bone again" : "Find the bone",
    keys: ["r"],
    violet: true,
    foot: "find the bone",
    closed: reading ? "The bone is being found" : work.slices === null ? "The scan is being opened" : null,
    run: () => work.read(fromCross ? control.cross.get() : null),
  };
  const mr = page.card.modality === "MR";
  const mark: Action = {
    id: "scan.mark",
    title: "Mark dead bone at the crosshair",
    keys: ["r"],
    violet: true,
    foot: "mark dead bone",
    closed: work.job ? "Dead bone is being carried over" : work.slices === null ? "The scan is being opened" : null,
    run: () => work.mark(control.cross.get()),
  };
  const onward: Action = {
    id: "scan.stock",
    title: page.plannable ? "See the stock profile" : "Nothing can be planned on this scan",
    keys: ["k"],
    violet: true,
    foot: "stock profile",
    closed: page.plannable ? (work.renewing ? "Measures are being renewed" : null) : "Nothing can be planned on this scan",
    run: () => go(pathOfRoute({ page: "stock", hip: page.hip_id })),
  };
  const takeAway: Action = { id: "scan.takeAway", title: "Take this side away", keys: [], violet: true, foot: "take this side away", run: hand.takeAway };
  const correcting = hand.tool !== "look";
  const tools: Action[] = found
    ? [
        { id: "scan.brush", title: "Brush: add to an outline", keys: ["b"], ...(correcting ? {} : { foot: "correct", written: "B E C G" }), run: () => use("brush") },
        { id: "scan.eraser", title: "Eraser: take from an outline", keys: ["e"], run: () => use("eraser") },
        { id: "scan.cut", title: "Cut plane: one side goes away", keys: ["c"], run: () => use("cut") },
        { id: "scan.fill", title: "Fill holes inside a ring", keys: ["g"], run: () => use("fill") },
        ...(correcting
          ? [
              { id: "scan.look", title: "Put the tool down", keys: ["v", "Escape"], foot: "tool down", written: "Esc", run: () => use("look") },
              { id: "scan.larger", title: "Larger", keys: ["]"], foot: "size", written: "[ ]", run: () => (cut ? hand.turnCut(5) : hand.resize(1)) },
              { id: "scan.smaller", title: "Smaller", keys: ["["], run: () => (cut ? hand.turnCut(-5) : hand.resize(-1)) },
              { id: "scan.here", title: "The tool at the crosshair", keys: [" "], foot: "at the crosshair", run: hand.applyHere },
              { id: "scan.flat", title: hand.flat ? "Brush as a ball" : "Brush on this slice only", keys: ["o"], run: () => hand.setFlat(!hand.flat) },
              { id: "scan.swap", title: "The other side of the cut goes away", keys: ["s"], closed: cut ? null : "Draw a cut first: drag over a picture.", run: hand.swap },
              ...LABELS.map(({ label, words }, i): Action => ({ id: `scan.label.${label}`, title: `Correct the ${words}`, keys: [String(i + 1)], run: () => hand.choose(label) })),
            ]
          : []),
        { id: "scan.undo", title: "Undo the correction", keys: ["u", "Ctrl+z"], foot: "undo", closed: segmentation.can_undo ? null : "Nothing to undo.", run: work.undo },
        { id: "scan.redo", title: "Redo", keys: ["Shift+u", "Ctrl+Shift+z"], closed: segmentation.can_redo ? null : "Nothing to redo.", run: work.redo },
      ]
    : [];
  const actions: Action[] = [
    ...tools,
    { id: "scan.slice", title: "Next slice of the pane in focus", keys: ["PageDown"], written: "PgUp PgDn", ...(correcting ? {} : { foot: "slices" }), run: () => control.turnSlices(active, 1) },
    { id: "scan.sliceBack", title: "Slice before", keys: ["PageUp"], run: () => control.turnSlices(active, -1) },
    { id: "scan.sliceTen", title: "Ten slices on", keys: ["Shift+PageDown"], run: () => control.turnSlices(active, 10) },
    { id: "scan.sliceTenBack", title: "Ten slices back", keys: ["Shift+PageUp"], run: () => control.turnSlices(active, -10) },
    { id: "scan.left", title: "Crosshair left", keys: ["ArrowLeft"], run: onPane(() => control.walk(active, -1, 0)) },
    { id: "scan.right", title: "Crosshair right", keys: ["ArrowRight"], run: onPane(() => control.walk(active, 1, 0)) },
    { id: "scan.up", title: "Crosshair up", keys: ["ArrowUp"], run: onPane(() => control.walk(active, 0, -1)) },
    { id: "scan.down", title: "Crosshair down", keys: ["ArrowDown"], run: onPane(() => control.walk(active, 0, 1)) },
    { id: "scan.light", title: "Light: drag, type or choose the window", keys: ["l"], ...(correcting ? {} : { foot: "light" }), run: () => control.light.set((now) => !now) },
    { id: "scan.invert", title: "Invert", keys: ["i"], run: () => control.inverted.set((now) => !now) },
    { id: "scan.zoomIn", title: "Zoom in", keys: ["z", "+", "="], written: "Z", ...(correcting ? {} : { foot: "zoom" }), run: () => control.zoom(ZOOM_STEP) },
    { id: "scan.zoomOut", title: "Zoom out", keys: ["Shift+z", "-"], run: () => control.zoom(1 / ZOOM_STEP) },
    { id: "scan.open", title: "Back to the first look", keys: ["0"], run: () => control.open() },
    { id: "scan.whole", title: "The whole volume", keys: ["f"], run: () => control.whole() },
    { id: "scan.large", title: large ? "All four pictures" : "The pane in focus alone", keys: ["m"], ...(correcting ? {} : { foot: large ? "all four" : "one large" }), run: () => setLarge(large ? null : active) },
    { id: "scan.outlines", title: quiet ? "Show the outlines" : "Hide the outlines", keys: ["x"], closed: found ? null : "There are no outlines yet.", run: () => setQuiet(!quiet) },
    { id: "scan.space", title: space ? "The plane along the neck instead" : "Three dimensions instead of the neck plane", keys: ["d"], ...(correcting ? {} : { foot: space ? "neck plane" : "3D" }), closed: page.meshes.length > 0 ? null : "There are no surfaces before the bone is found.", run: () => setSpace(!space) },
    ...(cut ? [takeAway] : mr ? [mark] : found ? [onward] : [read]),
  ];
  const kept = keptWords(work.kept, null, "", segmentation.saved_at, "Reading");
  const more = useMoreBelow();
  const panes: { name: PlaneName; facing: Facing | null }[] = [
    { name: "frontal", facing: FRONTAL },
    { name: "sagittal", facing: SAGITTAL },
    { name: "axial", facing: AXIAL },
    { name: "neck", facing: neck },
  ];
  return (
    <Shell
      title={`Scan, ${page.side} hip`}
      ground="dark"
      here="scan"
      hip={plateOf(life)}
      state={work.kept.name === "kept" ? (found ? { title: "Every correction kept", detail: segmentation.says } : null) : { ...kept, title: kept.title.replace("Reading", "Correction") }}
      actions={actions}
      back={correcting ? null : pathOfRoute({ page: "hip", hip: page.hip_id })}
      mainClass="sc"
    >
      <div class={`sc-work${large ? " alone" : ""}`}>
        <div class="sc-planes" role="group" aria-label="Planes of the scan">
          {panes
            .filter(({ name }) => large === null || large === name)
            .map(({ name, facing }) =>
              name === "neck" && space && page.meshes.length > 0 ? (
                <SpaceBox key="space" meshes={page.meshes} side={page.side} centre={head} neck={page.neck_plane} drawn={drawn || corrected} />
              ) : facing ? (
                <ScanPane
                  key={name}
                  {...shared}
                  name={name}
                  title={TITLES[name]}
                  facing={facing}
                  tool={hand.paneTool}
                  marks={(look, cross) => (
                    <>
                      {!quiet && <Markers markers={page.markers} look={look} cross={cross} />}
                      <CorrectionMarks hand={hand} look={look} name={name} />
                    </>
                  )}
                />
              ) : (
                <div key={name} class="sp shut">
                  <p class="fv-wait">The plane along the neck follows when the bone is found.</p>
                </div>
              ),
            )}
          <Light control={control} />
        </div>
        <ToolBar hand={hand} use={use} found={found} actions={actions} space={space} />
      </div>
      <aside class="rd-side fp sc-side-panel">
        <div class="fp-scroll" ref={more.see} tabIndex={-1}>
          <h1>{page.finding}</h1>
          {work.kept.name === "stopped" && (
            <div class="sc-conflict" role="alert">
              <p class="says">{work.kept.says}</p>
              <Press size="sm" onPress={work.discard}>
                Show the later outlines
              </Press>
              <Press size="sm" onPress={work.keepMine}>
                Keep mine after them
              </Press>
            </div>
          )}
          {segmentation.state === "failed" && (
            <p class="rd-warning" role="alert">
              {segmentation.says}
            </p>
          )}
          <Findings findings={page.findings} />
          <SideAsk page={page} onSeen={work.confirmSide} />
          {work.job && found && (
            <p class="sc-renewing" role="status">
              Measures are being renewed: {work.job.says || work.job.what}
            </p>
          )}
          <Measures page={page} renewing={work.renewing} />
          <Calibration page={page} calibrate={work.calibrate} />
          {found && <Agreement hip={page.hip_id} version={page.volume_version} />}
          <Header page={page} />
          {found && (
            <Press size="sm" kind="plain" closed={reading ? "The bone is being found" : null} onPress={() => work.read(control.cross.get())}>
              Find the bone anew from the crosshair
            </Press>
          )}
        </div>
        {more.hidden > 0 && (
          <button type="button" class="sc-more" onClick={more.onward}>
            ↓ more below
          </button>
        )}
        {reading || (mr && work.job) ? (
          <div class="sc-reading">
            {work.job ? <Progress job={work.job} lines={false} /> : <p class="says">{segmentation.says || "The bone is being found."}</p>}
          </div>
        ) : mr && !cut ? (
          <Next title="Dead bone on MR" detail="put the crosshair in it; it is outlined and carried onto the CT">
            <ActionPress action={mark} kind="do" hint={false} />
          </Next>
        ) : found ? (
          <Next title={page.plannable ? "The bone is found" : "Planning stops here"} detail={page.plannable ? (corrected ? "corrected by hand" : "correct the outlines where they are wrong") : "the reasons stand above"}>
            <ActionPress action={cut ? takeAway : onward} kind="do" hint={false} />
          </Next>
        ) : (
          <Next
            title="Nothing is outlined yet"
            detail={
              <label class="sc-seed">
                <input type="checkbox" checked={fromCross} onChange={(event) => setFromCross(event.currentTarget.checked)} /> begin at the crosshair, put in the head
              </label>
            }
          >
            <ActionPress action={read} kind="do" hint={false} />
          </Next>
        )}
      </aside>
    </Shell>
  );
}

const TOOL_SAYS: Readonly<Record<Exclude<Tool, "look">, string>> = {
  brush: "Brush: paint over a picture; what is painted becomes part of the outline.",
  eraser: "Eraser: what is painted over is taken from the outline.",
  cut: "Cut: drag a line over a picture; the hatched side goes away.",
  fill: "Fill: holes inside the ring are closed.",
};

function ToolBar({ hand, use, found, actions, space }: { hand: ReturnType<typeof useCorrections>; use: (tool: Tool) => void; found: boolean; actions: readonly Action[]; space: boolean }): JSX.Element {
  const tools: { tool: Tool; words: string; key: string }[] = [
    { tool: "look", words: "Crosshair", key: "V" },
    { tool: "brush", words: "Brush", key: "B" },
    { tool: "eraser", words: "Eraser", key: "E" },
    { tool: "cut", words: "Cut plane", key: "C" },
    { tool: "fill", words: "Fill", key: "G" },
  ];
  const named = (id: string): Action | undefined => actions.find((action) => action.id === id);
  const [undo, redo, inSpace] = [named("scan.undo"), named("scan.redo"), named("scan.space")];
  return (
    <div class="sc-tools" role="toolbar" aria-label="Corrections">
      <span class="k">{found ? "Correct" : "Look"}</span>
      {tools.map(({ tool, words, key }) => (
        <button key={tool} type="button" class={hand.tool === tool ? "on" : ""} aria-pressed={hand.tool === tool} disabled={!found && tool !== "look"} onClick={() => use(tool)}>
          {words} <kbd>{key}</kbd>
        </button>
      ))}
      {hand.tool !== "look" && (
        <>
          <i />
          {LABELS.map(({ label, words }, i) => (
            <button key={label} type="button" class={hand.label === label ? "on" : ""} aria-pressed={hand.label === label} onClick={() => hand.choose(label)}>
              {words} <kbd>{i + 1}</kbd>
            </button>
          ))}
        </>
      )}
      {hand.radius_mm > 0 && (
        <>
          <i />
          <span class="sc-size" role="group" aria-label="Radius of the tool">
            <button type="button" aria-label="Smaller" onClick={() => hand.resize(-1)}>
              −
            </button>
            <b>{hand.radius_mm.toFixed(1)}</b> mm
            <button type="button" aria-label="Larger" onClick={() => hand.resize(1)}>
              +
            </button>
          </span>
          {hand.tool !== "fill" && (
            <button type="button" class={hand.flat ? "on" : ""} aria-pressed={hand.flat} onClick={() => hand.setFlat(!hand.flat)}>
              this slice only
            </button>
          )}
        </>
      )}
      <span class="gap" />
      {found && undo && redo && (
        <>
          <button type="button" disabled={Boolean(undo.closed)} onClick={undo.run}>
            Undo <kbd>U</kbd>
          </button>
          <button type="button" disabled={Boolean(redo.closed)} onClick={redo.run}>
            Redo
          </button>
        </>
      )}
      {inSpace && !inSpace.closed && (
        <button type="button" class={space ? "on" : ""} aria-pressed={space} onClick={inSpace.run}>
          3D <kbd>D</kbd>
        </button>
      )}
    </div>
  );
}

/** The window: typed, or one of a few; open while a plain drag changes it. */
function Light({ control }: { control: ScanControl }): JSX.Element | null {
  const open = useStore(control.light);
  const voi = useStore(control.voi);
  const inverted = useStore(control.inverted);
  if (!open) return null;
  const typed = (words: string, value: number, set: (value: number) => void): JSX.Element => (
    <label>
      {words}
      <input
        inputMode="decimal"
        value={value.toFixed(0)}
        onChange={(event) => {
          const number = Number(event.currentTarget.value.replace(",", ".").replace("−", "-"));
          if (event.currentTarget.value.trim() !== "" && Number.isFinite(number)) set(number);
        }}
      />
    </label>
  );
  return (
    <div class="fv-panel" role="group" aria-label="Light of the scan">
      {typed("centre", voi.center, (center) => control.useWindow(center, voi.width))}
      {typed("width", voi.width, (width) => control.useWindow(voi.center, width))}
      {WINDOWS.map((one) => (
        <button key={one.words} type="button" class={one.center === voi.center && one.width === voi.width ? "on" : ""} onClick={() => control.useWindow(one.center, one.width)}>
          {one.words}
        </button>
      ))}
      <button type="button" class={inverted ? "on" : ""} aria-pressed={inverted} onClick={() => control.inverted.set((now) => !now)}>
        inverted
      </button>
      <button type="button" onClick={() => control.light.set(false)}>
        close
      </button>
    </div>
  );
}
