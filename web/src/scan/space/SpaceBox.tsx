/** A picture in space on a page: turned by hand or key, cut away by a plane, walls as colours. */

import type { JSX } from "preact";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { askBytesOf, at } from "../../api/client";
import type { MeshInfo, PlacementIn, Side, SpaceView } from "../../api/schema";
import { ScaleBar } from "../../film/viewer/marks";
import { sideWords } from "../../model/format";
import { useKept, useStore } from "../../parts/hooks";
import { along, scale, type Vec } from "../geometry/vec";
import { letterOf } from "../geometry/plane";
import { axesOf, baseOf, cameraOf, FIRST, turned, zoomedTo } from "./camera";
import type { SpaceParts, SpaceScene } from "./scene";
import { solidPath, surface } from "./surfaces";
import { WALL_MAP, WALL_TOP_MM } from "./walls";

interface SpaceBoxProps {
  meshes: readonly MeshInfo[];
  side: Side;
  /** Middle of the head. */
  centre: Vec | null;
  neck: readonly [Vec, Vec, Vec] | null;
  drawn?: boolean;
  /** A placement; null or absent: bone alone. */
  view?: SpaceView | null;
  /** The placement as it was last appraised: the wall map is of the bone it leaves. Absent: of the cortex. */
  placed?: PlacementIn | null;
  /** One camera for all pictures of this hip. */
  hip?: string;
  small?: boolean;
}

const TURN_DEG_PER_PX = 0.4;
const TURN_DEG = 10;
/** The slider's reach from the middle of the head, mm; at its end nothing is cut. */
const CUT_REACH_MM = 60;

export function SpaceBox({ meshes, side, centre, neck, view = null, placed = null, hip = "", small = false }: SpaceBoxProps): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const canvas = useRef<HTMLCanvasElement>(null);
  const [scene, setScene] = useState<SpaceScene | null>(null);
  const [says, setSays] = useState<string | null>("The picture is being made.");
  const [size, setSize] = useState({ width: 0, height: 0 });
  const [away_mm, setAway] = useKept<number>(`space cut ${hip}`, 0);
  const [walls, setWalls] = useKept<boolean>("space walls", false);
  const [wallsSay, setWallsSay] = useState<string | null>(null);
  const [pelvis, setPelvis] = useKept<boolean>("space pelvis", true);
  const store = cameraOf(hip);
  const camera = useStore(store);
  const neckKey = JSON.stringify(neck);
  const base = useMemo(() => baseOf(neck, side), [neckKey, side]);
  const parts = useParts(meshes, view?.component ?? null, setSays);
  const left = useWalls(walls && placed !== null && hip !== "" ? { hip, placed } : null, setWallsSay);
  // Until the walls of a placement have arrived none are shown: those of the cortex would be taken for them.
  const drawWalls = walls && (placed === null || left !== null);
  const middle: Vec = centre ?? [0, 0, 0];

  useEffect(() => {
    const element = box.current;
    if (!element) return;
    const measure = (): void => setSize({ width: element.clientWidth, height: element.clientHeight });
    const watch = new ResizeObserver(measure);
    watch.observe(element);
    measure();
    return () => watch.disconnect();
  }, []);
  useEffect(() => {
    let made: SpaceScene | null = null;
    let current = true;
    import("./scene").then(
      ({ SpaceScene }) => {
        if (!current || !canvas.current) return;
        try {
          made = new SpaceScene(canvas.current);
          setScene(made);
        } catch {
          setSays("This browser has no WebGL, so there is no picture in space. The planes beside it show the same.");
        }
      },
      () => current && setSays("The picture's program did not arrive. Open the page again."),
    );
    const lost = (event: Event): void => {
      event.preventDefault();
      setScene(null);
      setSays("The graphics card was taken away. Open the page again for the picture in space.");
    };
    canvas.current?.addEventListener("webglcontextlost", lost);
    return () => {
      current = false;
      canvas.current?.removeEventListener("webglcontextlost", lost);
      made?.dispose();
    };
  }, []);

  const toward = axesOf(base, FIRST).toward;
  const cutting = away_mm < CUT_REACH_MM;
  useEffect(() => {
    if (!scene || !parts) return;
    setSays(null);
    const away = cutting ? { point: along(middle, toward, away_mm), normal: toward } : null;
    scene.show({ ...parts, view, walls: left }, { ground: "#050708", dark: true, walls: drawWalls, pelvis }, away);
  }, [scene, parts, view, left, drawWalls, pelvis, away_mm, cutting, base, centre?.join()]);
  useEffect(() => {
    if (!scene || !parts) return;
    const asked = requestAnimationFrame(() => scene.draw(base, camera, middle, size.width, size.height, Math.min(2, window.devicePixelRatio || 1)));
    return () => cancelAnimationFrame(asked);
  }, [scene, parts, view, left, drawWalls, pelvis, away_mm, base, camera, size.width, size.height, centre?.join()]);

  const hold = useRef<{ pointer: number; x: number; y: number; slide: boolean } | null>(null);
  const axes = axesOf(base, camera);
  const px = size.height / camera.height_mm || 1;
  const key = (event: KeyboardEvent): void => {
    const turns: Readonly<Record<string, readonly [number, number]>> = { ArrowLeft: [-TURN_DEG, 0], ArrowRight: [TURN_DEG, 0], ArrowUp: [0, TURN_DEG], ArrowDown: [0, -TURN_DEG] };
    const turn = turns[event.key];
    if (event.target !== event.currentTarget || event.ctrlKey || event.metaKey || event.altKey) return;
    if (turn) store.set((now) => (event.shiftKey ? { ...now, slide: [now.slide[0] + turn[0], now.slide[1] + turn[1]] } : turned(now, turn[0], turn[1])));
    else if (event.key === "0") store.set(FIRST);
    else if (event.key === "+" || event.key === "=" || event.key === "z") store.set((now) => zoomedTo(now, 1.25));
    else if (event.key === "-" || event.key === "Z") store.set((now) => zoomedTo(now, 1 / 1.25));
    else if (event.key === "[") setAway(Math.max(-CUT_REACH_MM, away_mm - 2));
    else if (event.key === "]") setAway(Math.min(CUT_REACH_MM, away_mm + 2));
    else return;
    event.preventDefault();
    event.stopPropagation();
  };
  return (
    <div
      class={`sp space${small ? " small" : ""}`}
      ref={box}
      tabIndex={0}
      role="application"
      aria-label={`${sideWords(side)} in three dimensions. Arrows turn, Shift and arrows slide, plus and minus zoom, brackets move the cut, 0 resets.`}
      data-plane="space"
      onKeyDown={key}
      onPointerDown={(event) => {
        if ((event.target as Element).closest("button, input, label")) return;
        event.currentTarget.focus({ preventScroll: true });
        event.currentTarget.setPointerCapture(event.pointerId);
        hold.current = { pointer: event.pointerId, x: event.clientX, y: event.clientY, slide: event.shiftKey || event.button !== 0 };
      }}
      onPointerMove={(event) => {
        const held = hold.current;
        if (!held || held.pointer !== event.pointerId) return;
        const [dx, dy] = [event.clientX - held.x, event.clientY - held.y];
        hold.current = { ...held, x: event.clientX, y: event.clientY };
        store.set((now) => (held.slide ? { ...now, slide: [now.slide[0] + dx / px, now.slide[1] - dy / px] } : turned(now, dx * TURN_DEG_PER_PX, dy * TURN_DEG_PER_PX)));
      }}
      onPointerUp={() => (hold.current = null)}
      onPointerCancel={() => (hold.current = null)}
      onContextMenu={(event) => event.preventDefault()}
      onWheel={(event) => {
        event.preventDefault();
        store.set((now) => zoomedTo(now, 1.25 ** -Math.max(-3, Math.min(3, event.deltaY / 100))));
      }}
    >
      <canvas ref={canvas} class="fv-grey" aria-hidden="true" />
      {says && <p class="fv-wait">{says}</p>}
      {!says && (
        <svg class="fv-marks" width={size.width} height={size.height} aria-hidden="true">
          <g class="sp-letters">
            <text x="9" y={size.height / 2 + 5}>{letterOf(scale(axes.right, -1))}</text>
            <text x={size.width - 9} y={size.height / 2 + 5} text-anchor="end">{letterOf(axes.right)}</text>
            <text x={size.width / 2} y="18" text-anchor="middle">{letterOf(axes.up)}</text>
          </g>
          <ScaleBar pxPerMm={px} width={size.width} height={size.height - 34} small />
        </svg>
      )}
      <p class="sp-name" aria-hidden="true">
        <b>{sideWords(side)}</b> in space
      </p>
      {!says && view && <SeatLegend view={view} />}
      {!says && walls && <WallLegend of={placed === null ? "cortex" : "placed"} says={placed === null ? null : (wallsSay ?? (left === null ? "being measured" : null))} />}
      <div class="space-tools">
        <label>
          cut away
          <input type="range" min={-CUT_REACH_MM} max={CUT_REACH_MM} step="1" value={away_mm} aria-label="Cut away in front of this plane, mm from the middle of the head" onInput={(event) => setAway(Number(event.currentTarget.value))} />
          <b>{cutting ? `${away_mm} mm`.replace("-", "−") : "nothing"}</b>
        </label>
        <button type="button" class={walls ? "on" : ""} aria-pressed={walls} onClick={() => setWalls(!walls)}>
          wall map
        </button>
        <button type="button" class={pelvis ? "on" : ""} aria-pressed={pelvis} onClick={() => setPelvis(!pelvis)}>
          pelvis
        </button>
        <button type="button" onClick={() => store.set(FIRST)}>
          reset
        </button>
      </div>
    </div>
  );
}

/** Names only what is drawn. */
function SeatLegend({ view }: { view: SpaceView }): JSX.Element {
  const rows = [
    { on: view.seat.some((point) => Math.round(point[3]) === 1), colour: "#e9eeec", words: "seat on sound bone" },
    { on: view.seat.some((point) => Math.round(point[3]) !== 1), colour: "#ff7d6e", words: "seat not on sound bone" },
    { on: view.least_wall_at !== null, colour: "#f0cb6a", words: "least wall" },
  ];
  return (
    <p class="sp-seat">
      {rows
        .filter((row) => row.on)
        .map((row) => (
          <span key={row.words}>
            <i style={{ background: row.colour }} />
            {row.words}
          </span>
        ))}
    </p>
  );
}

const WALL_WORDS = { cortex: "cortex, mm", placed: "wall left by the part, mm" } as const;

function WallLegend({ of, says }: { of: keyof typeof WALL_WORDS; says: string | null }): JSX.Element {
  if (says !== null) {
    return (
      <div class="walllegend" role="status">
        <span>{WALL_WORDS[of]}</span>
        <span>{says}</span>
      </div>
    );
  }
  return (
    <div class="walllegend" role="img" aria-label={`${WALL_WORDS[of]}, 0 to ${WALL_TOP_MM}: dark is thin`}>
      <span>{WALL_WORDS[of]}</span>
      <i style={{ background: `linear-gradient(90deg, ${WALL_MAP.join()})` }} />
      <p>
        <span>0</span>
        <span>{WALL_TOP_MM / 2}</span>
        <span>{WALL_TOP_MM}+</span>
      </p>
    </div>
  );
}

/** Every surface of the picture; null until all have arrived. */
function useParts(meshes: readonly MeshInfo[], component: string | null, say: (words: string | null) => void): SpaceParts | null {
  const [bone, setBone] = useState<SpaceParts | null>(null);
  const [solid, setSolid] = useState<{ component: string; mesh: NonNullable<SpaceParts["component"]> } | null>(null);
  const key = meshes.map((mesh) => mesh.path).join();
  useEffect(() => {
    let current = true;
    fetchBone(meshes).then(
      (got) => current && setBone(got),
      (error: unknown) => current && say((error as Error).message),
    );
    return () => {
      current = false;
    };
  }, [key]);
  useEffect(() => {
    if (component === null) return setSolid(null);
    let current = true;
    surface(solidPath(component)).then(
      (mesh) => current && setSolid({ component, mesh }),
      (error: unknown) => current && say((error as Error).message),
    );
    return () => {
      current = false;
    };
  }, [component]);
  return useMemo(() => (bone ? { ...bone, ...(solid && solid.component === component ? { component: solid.mesh } : {}) } : null), [bone, solid, component]);
}

/** The wall that a placement leaves at each vertex of the femur; null before the first answer. The last one stands until the next. */
function useWalls(of: { hip: string; placed: PlacementIn } | null, say: (words: string | null) => void): Float32Array | null {
  const [got, set] = useState<{ hip: string; walls: Float32Array } | null>(null);
  const key = of === null ? "" : JSON.stringify(of);
  useEffect(() => {
    if (of === null) return;
    const stop = new AbortController();
    askBytesOf(at("/api/hips", of.hip, {}, "/walls"), of.placed, stop.signal).then(
      (bytes) => {
        set({ hip: of.hip, walls: new Float32Array(bytes) });
        say(null);
      },
      (error: unknown) => stop.signal.aborted || say((error as Error).message),
    );
    return () => stop.abort();
  }, [key]);
  return of !== null && got?.hip === of.hip ? got.walls : null;
}

export async function fetchBone(meshes: readonly MeshInfo[]): Promise<SpaceParts> {
  const of = async (part: MeshInfo["part"]) => {
    const info = meshes.find((mesh) => mesh.part === part);
    return info ? surface(info.path, info.value !== null) : undefined;
  };
  const [femur, pelvis, lesion, lesionOuter] = await Promise.all([of("femur"), of("pelvis"), of("lesion"), of("lesion_outer").catch(() => undefined)]); // A rim that is not there takes nothing from the rest.
  return { ...(femur ? { femur } : {}), ...(pelvis ? { pelvis } : {}), ...(lesion ? { lesion } : {}), ...(lesionOuter ? { lesionOuter } : {}) };
}

