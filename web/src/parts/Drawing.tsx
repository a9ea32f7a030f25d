/**
 * Bone and component, drawn by rule. Sound bone flat, cortex a darker rim inside its
 * line, dead bone broken strokes on paper, the uncertain rim dots, removed bone a dashed
 * outline, pelvis dotted, component steel, the seat heavy on sound bone and broken dark red
 * off it, the cut violet and solid when chosen.
 */

import type { JSX } from "preact";
import type { Drawing, Shape } from "../api/schema";
import { pathOf, type Point } from "../geometry/path";

/** From the drawing's frame to the page. */
export type ToPage = (point: Point) => Point;

/** Bottom to top. A role not named here is drawn last, as a plain line: nothing sent is lost. */
const ORDER = ["pelvis", "bone", "cortex", "uncertain", "dead", "removed", "cup", "head", "component", "groove", "detail", "seat_sound", "seat_unsound", "wall", "axis", "cut"];

/** Patterns of the drawing rules; once in each SVG, with a name of its own. */
export function DrawingDefs({ id }: { id: string }): JSX.Element {
  return (
    <defs>
      <pattern id={`${id}-dead`} width="9" height="6" patternUnits="userSpaceOnUse">
        <rect width="9" height="6" fill="var(--sheet)" />
        <path d="M0 1.5H5M4.5 4.5H9" stroke="var(--bone-dead-line)" stroke-width="1.1" />
      </pattern>
      <pattern id={`${id}-rim`} width="5" height="5" patternUnits="userSpaceOnUse">
        <rect width="5" height="5" fill="var(--bone)" />
        <circle cx="1.2" cy="1.2" r=".8" fill="var(--bone-dead-line)" />
        <circle cx="3.7" cy="3.7" r=".8" fill="var(--bone-dead-line)" />
      </pattern>
    </defs>
  );
}

interface ShapesProps {
  drawing: Drawing;
  to: ToPage;
  /** A name that no other drawing on the page has. */
  id: string;
  /** Name given to this SVG's `DrawingDefs`. */
  patterns: string;
  chosen?: boolean;
  /** Width of the cortex rim on the page where the server sends only the outer line. */
  rim?: number;
}

export function Shapes({ drawing, to, id, patterns, chosen = false, rim = 9 }: ShapesProps): JSX.Element {
  const rank = (shape: Shape): number => (ORDER.indexOf(shape.role) + 1 || ORDER.length + 1);
  const shapes = drawing.shapes.map((shape, index) => ({ shape, index })).sort((a, b) => rank(a.shape) - rank(b.shape) || a.index - b.index);
  const hasCortex = drawing.shapes.some((shape) => shape.role === "cortex");
  return (
    <g>
      <clipPath id={`${id}-bone`}>
        {drawing.shapes.map((shape, index) => shape.role === "bone" && <path key={index} d={pagePath(shape, to)} />)}
      </clipPath>
      {shapes.map(({ shape, index }) => (
        <OneShape key={index} shape={shape} to={to} inBone={`url(#${id}-bone)`} patterns={patterns} chosen={chosen} rim={rim} rimmed={hasCortex} />
      ))}
    </g>
  );
}

interface OneProps {
  shape: Shape;
  to: ToPage;
  /** Clips to the bone: a rim lies inside its line. */
  inBone: string;
  patterns: string;
  chosen: boolean;
  rim: number;
  /** The drawing has outer lines of its own; the bone's edge is then partly a cut, which has no rim. */
  rimmed: boolean;
}

const pagePath = (shape: Shape, to: ToPage): string => pathOf(shape.points.map((point) => to([point[0], point[1]])), shape.closed);

function OneShape({ shape, to, inBone, patterns, chosen, rim, rimmed }: OneProps): JSX.Element | null {
  const d = pagePath(shape, to);
  if (d === "") return null;
  switch (shape.role) {
    case "bone":
      return (
        <g>
          <path d={d} fill="var(--bone)" />
          {!rimmed && shape.closed && <path d={d} class="d-cortex" stroke-width={rim * 2} clip-path={inBone} />}
          {!rimmed && <path d={d} class="d-bone" style={{ fill: "none" }} />}
        </g>
      );
    case "cortex":
      if (shape.closed) return <path d={d} fill="var(--bone-cortex)" stroke="var(--bone-line)" stroke-width="1.5" />;
      return (
        <g>
          <path d={d} class="d-cortex" stroke-width={rim * 2} clip-path={inBone} />
          <path d={d} class="d-bone" style={{ fill: "none" }} />
        </g>
      );
    case "dead":
      return <path d={d} class="d-dead" fill={`url(#${patterns}-dead)`} />;
    case "uncertain":
      return <path d={d} fill={`url(#${patterns}-rim)`} />;
    case "removed":
      // Empty: it lies over the bone it takes away.
      return (
        <g>
          {shape.closed && <path d={d} fill="var(--sheet)" stroke="var(--sheet)" stroke-width="3.5" />}
          <path d={d} class="d-removed" />
        </g>
      );
    case "seat_sound":
      return <path d={d} class="d-sound" />;
    case "seat_unsound":
      return <path d={d} class="d-unsound" />;
    case "cut":
      return <path d={d} class={chosen ? "d-cut chosen" : "d-cut"} />;
    default:
      return <path d={d} class={`d-${ORDER.includes(shape.role) ? shape.role : "wall"}`} />;
  }
}

const LEGEND: { role: string; words: string }[] = [
  { role: "bone", words: "sound bone" },
  { role: "dead", words: "dead bone" },
  { role: "uncertain", words: "uncertain rim" },
  { role: "removed", words: "bone removed" },
  { role: "component", words: "component" },
  { role: "seat_sound", words: "seat on sound bone" },
  { role: "seat_unsound", words: "seat not on sound bone" },
  { role: "cut", words: "cut" },
  { role: "pelvis", words: "pelvis" },
];

/** Stands beside every drawing; names only what is drawn. */
export function Legend({ roles, id = "legend" }: { roles: ReadonlySet<string>; id?: string }): JSX.Element {
  return (
    <ul class="legend" aria-label="Legend">
      {LEGEND.filter(({ role }) => roles.has(role)).map(({ role, words }) => (
        <li key={role}>
          <svg width="26" height="14" viewBox="0 0 26 14" aria-hidden="true">
            <DrawingDefs id={`${id}-${role}`} />
            <Sample role={role} id={`${id}-${role}`} />
          </svg>
          {words}
        </li>
      ))}
    </ul>
  );
}

function Sample({ role, id }: { role: string; id: string }): JSX.Element {
  const box = { x: 1, y: 1, width: 24, height: 12 };
  switch (role) {
    case "bone":
      return <rect {...box} class="d-bone" style={{ strokeWidth: 1.2 }} />;
    case "dead":
      return <rect {...box} fill={`url(#${id}-dead)`} stroke="var(--bone-line)" stroke-width="1.2" />;
    case "uncertain":
      return <rect {...box} fill={`url(#${id}-rim)`} />;
    case "component":
      return <rect {...box} class="d-component" />;
    case "seat_sound":
      return <path d="M0 7H26" class="d-sound" />;
    case "seat_unsound":
      return <path d="M0 7H26" class="d-unsound" />;
    case "cut":
      return <path d="M0 7H26" class="d-cut chosen" />;
    default:
      return <path d="M0 7H26" class={`d-${role}`} />;
  }
}

/** All roles of some drawings. */
export function rolesOf(drawings: readonly Drawing[]): Set<string> {
  return new Set(drawings.flatMap((drawing) => drawing.shapes.map((shape) => shape.role)));
}
