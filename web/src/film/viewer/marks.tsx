/** Drawing on a film: every mark has a dark casing, because film grey alone gives a contrast of only 3.4. */

import type { JSX } from "preact";
import { pathOf } from "../../geometry/path";
import type { ScreenPoint } from "../geometry/types";

/** The dark around marks, the reading room's own. */
export const CASING = "#0b0e0f";
/** Casing around letters, CSS px. */
const CASING_PX = 4;
/** Casing of a line, both sides together: enough to part it from bright cortex without thickening it. */
const LINE_CASING_PX = 2.2;

type XY = readonly [number, number];

interface LineProps {
  points: readonly XY[];
  colour?: string;
  width?: number;
  dash?: string;
  closed?: boolean;
  opacity?: number;
  casing?: boolean;
}

export function Line({ points, colour = "var(--ink)", width = 1.4, dash, closed = false, opacity, casing = true }: LineProps): JSX.Element | null {
  if (points.length < 2) return null;
  const d = pathOf(points, closed);
  return (
    <g fill="none" stroke-linejoin="round" opacity={opacity}>
      {casing && <path d={d} stroke={CASING} stroke-width={width + LINE_CASING_PX} stroke-opacity=".5" stroke-dasharray={dash} />}
      <path d={d} stroke={colour} stroke-width={width} stroke-dasharray={dash} />
    </g>
  );
}

interface WordsProps {
  at: XY;
  children: string;
  colour?: string;
  size?: number;
  weight?: number;
  anchor?: "start" | "middle" | "end";
}

export function Words({ at, children, colour = "var(--ink)", size = 13, weight = 600, anchor = "middle" }: WordsProps): JSX.Element {
  return (
    <text
      x={at[0]}
      y={at[1]}
      font-size={size}
      font-weight={weight}
      fill={colour}
      text-anchor={anchor}
      paint-order="stroke"
      stroke={CASING}
      stroke-width={CASING_PX}
      stroke-linejoin="round"
    >
      {children}
    </text>
  );
}

/** Lines of words one under the other. */
export function WordLines({ lines, at, ...rest }: Omit<WordsProps, "children"> & { lines: readonly string[] }): JSX.Element {
  return (
    <>
      {lines.map((line, i) => (
        <Words key={line} {...rest} at={[at[0], at[1] + i * ((rest.size ?? 13) + 3)]}>
          {line}
        </Words>
      ))}
    </>
  );
}

/** A point placed by a person: a cross that leaves the place itself in sight. */
export function Cross({ at, colour = "var(--mark)", chosen = false }: { at: XY; colour?: string; chosen?: boolean }): JSX.Element {
  const [x, y] = at;
  const d = `M${x - 8} ${y}h5.5M${x + 2.5} ${y}h5.5M${x} ${y - 8}v5.5M${x} ${y + 2.5}v5.5`;
  return (
    <g fill="none">
      <path d={d} stroke={CASING} stroke-width="4.4" stroke-opacity=".75" />
      <path d={d} stroke={colour} stroke-width="2" />
      {chosen && <circle cx={x} cy={y} r="13" stroke={CASING} stroke-width="5" stroke-opacity=".7" />}
      {chosen && <circle cx={x} cy={y} r="13" stroke={colour} stroke-width="2" />}
    </g>
  );
}

/** A point found by the program and not yet accepted: an open square, so that shape differs too. */
export function FoundPoint({ at, chosen = false }: { at: XY; chosen?: boolean }): JSX.Element {
  const [x, y] = at;
  return (
    <g fill="none">
      <rect x={x - 5} y={y - 5} width="10" height="10" stroke={CASING} stroke-width="5" stroke-opacity=".7" />
      <rect x={x - 5} y={y - 5} width="10" height="10" stroke="var(--found)" stroke-width="1.9" />
      {chosen && <circle cx={x} cy={y} r="13" stroke={CASING} stroke-width="5" stroke-opacity=".7" />}
      {chosen && <circle cx={x} cy={y} r="13" stroke="var(--found)" stroke-width="2" />}
    </g>
  );
}

/** A round handle to take hold of. */
export function Handle({ at, colour = "var(--mark)", held = false }: { at: XY; colour?: string; held?: boolean }): JSX.Element {
  return (
    <g>
      <circle cx={at[0]} cy={at[1]} r="8.5" fill={CASING} fill-opacity=".6" />
      <circle cx={at[0]} cy={at[1]} r="6" fill={held ? colour : CASING} stroke={colour} stroke-width="2.4" />
    </g>
  );
}

/** A corner of an outline: small, so that a ring of them does not hide what it rings. */
export function Corner({ at, colour = "var(--mark)", first = false }: { at: XY; colour?: string; first?: boolean }): JSX.Element {
  return <circle cx={at[0]} cy={at[1]} r={first ? 5.5 : 3.6} fill={CASING} stroke={colour} stroke-width="1.8" />;
}

/** A word in a box in a corner of the film: the side. */
export function SideWord({ words, at, open = false }: { words: string; at: "left" | "right"; open?: boolean }): JSX.Element {
  return (
    <div class={`fv-side ${at}${open ? " open" : ""}`} aria-hidden="true">
      {words}
    </div>
  );
}

/** Lengths a scale bar may have, mm. 50 is the one a sheet prints, so it is taken whenever it fits. */
const BAR_LENGTHS_MM = [50, 100, 20, 200, 10, 5] as const;

/** How long the bar is: 50 mm while that is between a twentieth and a half of the canvas, else the next that fits. */
export function barLengthMm(pxPerMm: number, canvasWidth: number): number {
  const fits = (length: number): boolean => length * pxPerMm >= Math.max(40, canvasWidth * 0.05) && length * pxPerMm <= canvasWidth * 0.5;
  return BAR_LENGTHS_MM.find(fits) ?? (50 * pxPerMm < 40 ? 200 : 5);
}

export function ScaleBar({ pxPerMm, width, height, small = false }: { pxPerMm: number | null; width: number; height: number; small?: boolean }): JSX.Element {
  const right = width - (small ? 10 : 24);
  const y = height - (small ? 14 : 24);
  if (pxPerMm === null) {
    const left = right - 136;
    const d = `M${left} ${y}v8h136v-8`;
    return (
      <g fill="none">
        <path d={d} stroke={CASING} stroke-width="5" stroke-opacity=".7" />
        <path d={d} stroke="var(--ink-2)" stroke-width="1.5" stroke-dasharray="3 3" />
        <Words at={[(left + right) / 2, y - 4]}>no scale: pixels only</Words>
      </g>
    );
  }
  const length = barLengthMm(pxPerMm, width);
  const left = right - length * pxPerMm;
  const d = `M${left} ${y}v8H${right}v-8`;
  return (
    <g fill="none">
      <path d={d} stroke={CASING} stroke-width="5.5" stroke-opacity=".8" />
      <path d={d} stroke="var(--ink)" stroke-width="1.5" />
      {small ? (
        <Words at={[left - 6, y + 8]} anchor="end" size={11.5}>{`${length} mm`}</Words>
      ) : (
        // Short bars carry longer words: they end with the bar, inside the film.
        <Words at={[Math.min((left + right) / 2, width - 58), y - 4]}>{`${length} mm at the hip`}</Words>
      )}
    </g>
  );
}

/** A small picture of a mark, for the legend. */
export function LegendMark({ kind }: { kind: "placed" | "found" | "measured" }): JSX.Element {
  if (kind === "placed") {
    return (
      <svg width="16" height="14" aria-hidden="true">
        <path d="M1 7h5M10 7h5M8 0v5M8 9v5" stroke="var(--mark)" stroke-width="1.8" />
      </svg>
    );
  }
  const colour = kind === "found" ? "var(--found)" : "var(--ink)";
  return (
    <svg width="20" height="14" aria-hidden="true">
      <path d="M0 7h20" stroke={colour} stroke-width={kind === "found" ? 2 : 1.4} />
    </svg>
  );
}

export const offset = (at: ScreenPoint, dx: number, dy: number): XY => [at[0] + dx, at[1] + dy];
