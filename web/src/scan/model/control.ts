/**
 * How a scan is being looked at: one crosshair, one window and one scale for all panes; each pane slides on its own.
 *
 * Buttons, keys, wheel and drags all end here.
 */

import { draggedWindow, leastWidth, type Voi } from "../../film/grey/voi";
import { store, type Store } from "../../model/store";
import { type Grid, held, stepAlong, toIndex } from "../geometry/grid";
import { type Facing, type PlaneLook, type PlaneName, slid, toPane, toSpace, zoomed } from "../geometry/plane";
import { add, along, dot, scale, type Vec } from "../geometry/vec";

/** One key or wheel notch. */
export const ZOOM_STEP = 1.25;

/** A drag over a whole pane changes the width of the window by this many HU. */
const DRAG_RANGE: readonly [number, number] = [0, 2500];

export interface Window {
  readonly words: string;
  readonly center: number;
  readonly width: number;
}

/** Windows by what they show, HU: definitions of this program, not limits. */
export const WINDOWS: readonly Window[] = [
  { words: "bone", center: 400, width: 1800 },
  { words: "spongy bone", center: 150, width: 700 },
  { words: "soft tissue", center: 40, width: 400 },
  { words: "metal", center: 1500, width: 5000 },
];

export class ScanControl {
  readonly cross: Store<Vec>;
  readonly voi: Store<Voi>;
  readonly inverted = store(false);
  readonly light = store(false);
  /** The pane that keys mean. */
  readonly active = store<PlaneName>("frontal");
  readonly #looks = new Map<PlaneName, Store<PlaneLook | null>>();
  readonly #first: { readonly centre: Vec; readonly around_mm: number };
  readonly #opened: Voi;
  #px: number | null = null;

  constructor(
    readonly grid: Grid,
    window: readonly [number, number],
    first: { centre: Vec; around_mm: number },
  ) {
    this.#first = first;
    this.cross = store(held(grid, first.centre));
    this.#opened = { function: "LINEAR_EXACT", center: window[0], width: Math.max(1, window[1]) };
    this.voi = store(this.#opened);
  }

  look(name: PlaneName): Store<PlaneLook | null> {
    let known = this.#looks.get(name);
    if (!known) this.#looks.set(name, (known = store<PlaneLook | null>(null)));
    return known;
  }

  /** A pane has its place on the page: keep what was in its middle. */
  place(name: PlaneName, facing: Facing, width: number, height: number): void {
    if (width === 0 || height === 0) return;
    const look = this.look(name);
    const now = look.get();
    const same = now && sameFacing(now.facing, facing);
    if (same && now.width === width && now.height === height) return;
    const pxPerMm = this.#px ?? Math.min(width, height) / this.#first.around_mm;
    look.set({ facing, width, height, anchor: same ? now.anchor : this.#first.centre, pxPerMm });
  }

  #each(change: (look: PlaneLook, name: PlaneName) => PlaneLook): void {
    for (const [name, look] of this.#looks) {
      const now = look.get();
      if (now) look.set(change(now, name));
    }
  }

  /** All panes keep one scale; the point under the pointer stays where it is, in the others the crosshair does. */
  zoom(factor: number, name: PlaneName = this.active.get(), at?: readonly [number, number]): void {
    const cross = this.cross.get();
    this.#each((look, which) => zoomed(look, factor, which === name && at ? at : toPane(look, cross)));
    this.#px = this.look(name).get()?.pxPerMm ?? this.#px;
  }

  slide(name: PlaneName, dx: number, dy: number): void {
    const look = this.look(name);
    const now = look.get();
    if (now) look.set(slid(now, dx, dy));
  }

  /** Back to the first look. */
  open(): void {
    this.#px = null;
    this.cross.set(held(this.grid, this.#first.centre));
    this.voi.set(this.#opened);
    this.inverted.set(false);
    this.#each((look) => ({ ...look, anchor: this.#first.centre, pxPerMm: Math.min(look.width, look.height) / this.#first.around_mm }));
  }

  /** The whole working volume in every pane. */
  whole(): void {
    const { grid } = this;
    const middle = held(grid, this.#first.centre);
    const size = [grid.columns * grid.spacing[0], grid.rows * grid.spacing[1], grid.slices * grid.spacing[2]];
    const px = Math.min(...[...this.#looks.values()].flatMap((look) => look.get() ?? []).map((look) => Math.min(look.width, look.height) / Math.max(...size)));
    if (!Number.isFinite(px)) return;
    this.#px = px;
    const index = toIndex(grid, middle);
    const centre = add(middle, [0, 1, 2].map((k) => scale(grid.directions[k as 0 | 1 | 2], (((k === 0 ? grid.columns : k === 1 ? grid.rows : grid.slices) - 1) / 2 - (index[k] ?? 0)) * (grid.spacing[k] ?? 1))).reduce(add, [0, 0, 0]));
    this.#each((look) => ({ ...look, anchor: centre, pxPerMm: px }));
  }

  /** On by so many slices of the pane's own direction. */
  turnSlices(name: PlaneName, count: number): void {
    const look = this.look(name).get();
    if (!look) return;
    const step = stepAlong(this.grid, look.facing.normal);
    this.cross.set((now) => held(this.grid, along(now, look.facing.normal, count * step)));
  }

  /** The crosshair by so many steps across the picture. */
  walk(name: PlaneName, right: number, down: number): void {
    const look = this.look(name).get();
    if (!look) return;
    const { facing } = look;
    const move = add(scale(facing.right, right * stepAlong(this.grid, facing.right)), scale(facing.down, down * stepAlong(this.grid, facing.down)));
    this.cross.set((now) => held(this.grid, add(now, move)));
    this.#reveal(name);
  }

  /** Put the crosshair under a place of a pane. */
  pointAt(name: PlaneName, at: readonly [number, number]): void {
    const look = this.look(name).get();
    if (look) this.cross.set(held(this.grid, toSpace(look, this.cross.get(), at)));
  }

  goTo(point: Vec): void {
    this.cross.set(held(this.grid, point));
    for (const name of this.#looks.keys()) this.#reveal(name);
  }

  /** A pane follows when the crosshair leaves it. */
  #reveal(name: PlaneName): void {
    const look = this.look(name).get();
    if (!look) return;
    const [x, y] = toPane(look, this.cross.get());
    const margin = 24;
    const dx = x < margin ? margin - x : x > look.width - margin ? look.width - margin - x : 0;
    const dy = y < margin ? margin - y : y > look.height - margin ? look.height - margin - y : 0;
    if (dx !== 0 || dy !== 0) this.slide(name, dx, dy);
  }

  dragWindow(name: PlaneName, from: Voi, moved: readonly [number, number]): void {
    const look = this.look(name).get();
    if (look) this.voi.set(draggedWindow(from, moved, look, DRAG_RANGE));
  }

  useWindow(center: number, width: number): void {
    const now = this.voi.get();
    if (Number.isFinite(center) && Number.isFinite(width) && width >= leastWidth(now.function)) this.voi.set({ ...now, center, width });
  }
}

const sameFacing = (a: Facing, b: Facing): boolean => dot(a.right, b.right) > 1 - 1e-9 && dot(a.down, b.down) > 1 - 1e-9;
