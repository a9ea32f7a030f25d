/** Outlines of labels on a slice, drawn over its greys: casing, line, broken strokes in dead bone, dots in its uncertain rim. */

import type { Grid } from "../geometry/grid";
import type { PlaneLook } from "../geometry/plane";
import type { Vec } from "../geometry/vec";
import { contours } from "../grey/contour";
import { labelFields, type Outlined, stepsOf } from "../grey/reslice";

export interface OutlineColours {
  readonly femur: string;
  readonly pelvis: string;
  readonly lesion: string;
  readonly casing: string;
}

/** Samples every so many CSS px: fine enough that a line bends smoothly, coarse enough for a wheel. */
const SAMPLE_PX = 2;

const patterns = new Map<string, CanvasPattern | null>();

function patternOf(onto: CanvasRenderingContext2D, kind: "dead" | "rim", colour: string): CanvasPattern | null {
  const key = `${kind} ${colour}`;
  if (patterns.has(key)) return patterns.get(key) ?? null;
  const tile = document.createElement("canvas");
  [tile.width, tile.height] = kind === "dead" ? [9, 6] : [5, 5];
  const draw = tile.getContext("2d");
  if (!draw) return null;
  draw.fillStyle = draw.strokeStyle = colour;
  if (kind === "dead") {
    draw.globalAlpha = 0.75;
    draw.fillRect(0, 1, 5, 1);
    draw.fillRect(4, 4, 5, 1);
  } else {
    draw.globalAlpha = 0.85;
    draw.fillRect(1, 1, 1.3, 1.3);
    draw.fillRect(3.4, 3.4, 1.3, 1.3);
  }
  const made = onto.createPattern(tile, "repeat");
  patterns.set(key, made);
  return made;
}

export function drawOutlines(onto: CanvasRenderingContext2D, labels: Uint8Array, grid: Grid, look: PlaneLook, through: Vec, colours: OutlineColours, hidden: ReadonlySet<Outlined> = new Set()): void {
  const across = Math.ceil(look.width / SAMPLE_PX);
  const tall = Math.ceil(look.height / SAMPLE_PX);
  const fields = labelFields(labels, grid, stepsOf(grid, look, through, SAMPLE_PX), across, tall);
  const pathOf = (name: Outlined): Path2D | null => {
    const lines = contours(fields.of[name], fields.width, fields.height);
    if (lines.length === 0) return null;
    const path = new Path2D();
    for (const { points, closed } of lines) {
      points.forEach(([x, y], i) => {
        const [px, py] = [(x - 0.5) * SAMPLE_PX, (y - 0.5) * SAMPLE_PX];
        if (i === 0) path.moveTo(px, py);
        else path.lineTo(px, py);
      });
      if (closed) path.closePath();
    }
    return path;
  };
  const line = (path: Path2D, colour: string, width: number, dash: number[] = []): void => {
    onto.setLineDash(dash);
    onto.globalAlpha = 0.55;
    onto.strokeStyle = colours.casing;
    onto.lineWidth = width + 2;
    onto.stroke(path);
    onto.globalAlpha = 1;
    onto.strokeStyle = colour;
    onto.lineWidth = width;
    onto.stroke(path);
    onto.setLineDash([]);
  };
  onto.lineJoin = "round";
  const dead = hidden.has("lesion") ? null : pathOf("lesion");
  const outer = hidden.has("lesion") ? null : pathOf("lesion_outer");
  if (outer) {
    const rim = new Path2D(outer);
    if (dead) rim.addPath(dead);
    onto.fillStyle = patternOf(onto, "rim", colours.lesion) ?? "transparent";
    onto.fill(rim, "evenodd");
  }
  if (dead) {
    onto.fillStyle = patternOf(onto, "dead", colours.lesion) ?? "transparent";
    onto.fill(dead, "evenodd");
  }
  const pelvis = hidden.has("pelvis") ? null : pathOf("pelvis");
  if (pelvis) line(pelvis, colours.pelvis, 1.3, [2, 3]);
  const femur = hidden.has("femur") ? null : pathOf("femur");
  if (femur) line(femur, colours.femur, 1.7);
  if (outer) line(outer, colours.lesion, 1, [1.5, 2.5]);
  if (dead) line(dead, colours.lesion, 1.4);
}
