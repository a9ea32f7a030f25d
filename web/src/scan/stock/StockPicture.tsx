/** The bone along its neck axis, with what each depth still holds; cuts can be taken hold of. */

import type { JSX } from "preact";
import { useRef } from "preact/hooks";
import type { CutLevelOut, Drawing, Level, StockPage, StockRow } from "../../api/schema";
import { graduations } from "../../geometry/ruler";
import { pathOf, type Point } from "../../geometry/path";
import { digits } from "../../model/format";
import { DrawingDefs, Shapes } from "../../parts/Drawing";
import { type Chart, type StockLayout, turnedRadius } from "./layout";
import type { StockWork } from "./useStock";

interface PictureProps {
  page: StockPage;
  work: StockWork;
  layout: StockLayout;
  size: { width: number; height: number };
  /** Middle of each flag, in the order of the levels. */
  flagMiddles: readonly number[];
  half: boolean;
  low: boolean;
  /** The level whose part is drawn whole; the others show their cuts alone. */
  drawn: Level | null;
}

/** Roles of a drawing that are the part's own; the bone beneath is drawn once. */
const PART = new Set(["component", "groove", "detail", "seat_sound", "seat_unsound", "axis", "wall"]);

/** The prosthetic head stands in the joint, not in the bone: its line alone, so that what it replaces stays in sight. */
function headsOf(drawing: Drawing): Drawing["shapes"] {
  const middle = (points: readonly (readonly number[])[]): number => points.reduce((sum, point) => sum + (point[1] ?? 0), 0) / Math.max(1, points.length);
  const cut = drawing.shapes.find((shape) => shape.role === "cut");
  const bodies = drawing.shapes.filter((shape) => shape.role === "component");
  if (!cut || bodies.length < 2) return [];
  const above = bodies.filter((shape) => Math.max(...shape.points.map((point) => point[1])) <= middle(cut.points) + HEAD_BELOW_CUT_MM);
  return above.length < bodies.length ? above : [];
}

/** A head's rim may come this far below the middle of a tilted cut, mm. */
const HEAD_BELOW_CUT_MM = 3;

export const partOf = (drawing: Drawing): Drawing => ({ ...drawing, shapes: drawing.shapes.filter((shape) => PART.has(shape.role)) });

export function StockPicture({ page, work, layout, size, flagMiddles, half, low, drawn }: PictureProps): JSX.Element {
  const { depth, scale, picture, top, bottom } = layout;
  const to = ([x, y]: Point): Point => [picture.axis + x * scale, depth.at(y)];
  const svg = useRef<SVGSVGElement>(null);
  const shown = work.levels.find((level) => level.level === drawn) ?? null;
  const sound = page.sound_from.value;
  const titleY = top - (low ? 30 : 36);
  const drawingOf = (level: CutLevelOut): Drawing | null => {
    if (!level.drawing) return null;
    const by = (work.depths[level.level] ?? level.depth.value ?? 0) - (level.depth.value ?? 0);
    const heads = headsOf(level.drawing);
    const shapes = partOf(level.drawing).shapes.map((shape) => (heads.includes(shape) ? { ...shape, role: "head" } : shape));
    return { ...level.drawing, shapes: by === 0 ? shapes : shapes.map((shape) => ({ ...shape, points: shape.points.map(([x, y]): [number, number] => [x, y + by]) })) };
  };
  const soft = page.drawing.shapes.filter((shape) => shape.role !== "bone" && shape.role !== "cortex");
  return (
    <svg ref={svg} class="st-picture" width={size.width} height={size.height} role="img" aria-label={`Stock profile: bone section, section area, density and wall against depth along the neck axis, with ${work.levels.length} cut levels`}>
      <DrawingDefs id="stock" />
      <clipPath id="stock-picture">
        <rect x={picture.left} y={top} width={picture.right - picture.left} height={bottom - top} />
      </clipPath>
      <clipPath id="stock-left">
        <rect x={picture.left} y={top} width={picture.axis - picture.left} height={bottom - top} />
      </clipPath>
      <clipPath id="stock-right">
        <rect x={picture.axis} y={top} width={picture.right - picture.axis} height={bottom - top} />
      </clipPath>
      <DepthRule layout={layout} />
      <WithinStreaks rows={page.rows} layout={layout} />
      <g clip-path="url(#stock-picture)">
        {half ? (
          <Halves page={page} to={to} />
        ) : (
          <Shapes drawing={page.drawing} to={to} id="stock-bone" patterns="stock" rim={scale * 1.6} />
        )}
        {shown && drawingOf(shown) && (
          <g class={half ? "st-part half" : "st-part"}>
            <Shapes drawing={drawingOf(shown) as Drawing} to={to} id="stock-part" patterns="stock" />
          </g>
        )}
        {!half && shown?.drawing && <Over shapes={soft} to={to} />}
      </g>
      {half && <path d={`M${picture.axis} ${top}V${bottom}`} stroke="var(--ink)" stroke-width="1" stroke-dasharray="9 3 2 3" />}
      <text x={picture.left + 4} y={bottom + 14} class="st-small">
        lateral
      </text>
      <text x={picture.right} y={bottom + 14} class="st-small" text-anchor="end">
        medial
      </text>
      {half && (
        <g class="st-small">
          <text x={picture.axis - 12} y={bottom + 14} text-anchor="end">
            scan along the neck
          </text>
          <text x={picture.axis + 12} y={bottom + 14}>
            same section, turned
          </text>
        </g>
      )}
      <Section rows={page.rows} layout={layout} titleY={titleY} />
      <Band rows={page.rows} chart={layout.density} layout={layout} value={(row) => row.density} title="Density" unit={page.density_unit === "1" ? (layout.narrow ? "uncalibrated" : "ratio, uncalibrated") : "g/cm³"} alarm={page.density_unit === "1"} decimals={2} titleY={titleY} />
      <Band rows={page.rows} chart={layout.wall} layout={layout} value={(row) => row.wall_mm} least={(row) => row.least_wall_mm?.[0] ?? null} title="Wall" unit={layout.narrow ? "mm; dots least" : "mm; dots: least"} decimals={1} titleY={titleY} />
      {sound !== null && (
        <g>
          <path d={`M${picture.left} ${depth.at(sound)}H${layout.wall.at.at(layout.wall.at.to)}`} stroke="var(--ink)" stroke-width="1.2" stroke-dasharray="1.5 3" />
          <text class="cased st-sound" x={layout.section.at.at(0) + 5} y={depth.at(sound) - 5}>
            sound bone starts
          </text>
        </g>
      )}
      {work.levels.map((level, i) => (
        <Cut key={level.level} level={level} work={work} layout={layout} svg={svg} flag={flagMiddles[i] ?? 0} />
      ))}
    </svg>
  );
}

function DepthRule({ layout }: { layout: StockLayout }): JSX.Element {
  const { depth, scale, top, bottom } = layout;
  const x = layout.picture.left - 8;
  return (
    <g>
      <path d={`M${x} ${top}V${bottom}`} stroke="var(--ink)" stroke-width="2" />
      {graduations(0, depth.to, scale < 4 ? 5 : 1).map((mm) => (
        <path key={mm} d={`M${x - (mm % 10 === 0 ? 12 : mm % 5 === 0 ? 8 : 4)} ${depth.at(mm)}H${x}`} stroke="var(--ink)" stroke-width={mm % 10 === 0 ? 1.4 : 0.8} />
      ))}
      {graduations(0, depth.to, 10).map((mm) => (
        <text key={mm} x={x - 16} y={depth.at(mm) + 4.5} font-size="13" font-weight="600" text-anchor="end" fill="var(--ink)">
          {mm}
        </text>
      ))}
    </g>
  );
}

/** Depths whose sections lie within reach of the streaks of metal, beside the ruler: what is drawn there may be false. */
function WithinStreaks({ rows, layout }: { rows: readonly StockRow[]; layout: StockLayout }): JSX.Element | null {
  const marked = rows.filter((row) => row.marked_percent > 0);
  if (marked.length === 0) return null;
  const half = rows[0] && rows[1] ? (rows[1].depth_mm - rows[0].depth_mm) / 2 : 0;
  const most = Math.max(...marked.map((row) => row.marked_percent));
  const words = `within reach of the streaks of metal: up to ${digits(most, 0)} % of a section`;
  return (
    <g class="st-streaks" role="img" aria-label={words}>
      <title>{words}</title>
      {marked.map((row) => (
        <rect key={row.depth_mm} x={layout.picture.left - 6} y={layout.depth.at(row.depth_mm - half)} width="5" height={layout.depth.at(row.depth_mm + half) - layout.depth.at(row.depth_mm - half)} fill="var(--near)" opacity={0.25 + 0.75 * (row.marked_percent / 100)} />
      ))}
      <text x={layout.picture.left + 4} y={layout.depth.at(marked[0]?.depth_mm ?? 0) + 12} class="st-small cased">
        † streaks of metal
      </text>
    </g>
  );
}

/** Dead bone stays in sight over the steel that would stand on it: its outline. */
function Over({ shapes, to }: { shapes: Drawing["shapes"]; to: (point: Point) => Point }): JSX.Element {
  return (
    <g fill="none">
      {shapes
        .filter((shape) => shape.role === "dead" || shape.role === "uncertain")
        .map((shape, i) => (
          <path key={i} d={pathOf(shape.points.map(([x, y]) => to([x, y])), shape.closed)} stroke="var(--bone-dead-line)" stroke-width="1.1" stroke-dasharray={shape.role === "dead" ? "6 3" : "1.5 2.5"} />
        ))}
    </g>
  );
}

/** Left the scan itself, right the same bone turned to a solid of equal section: evidence and reading at once. */
function Halves({ page, to }: { page: StockPage; to: (point: Point) => Point }): JSX.Element {
  const [x0, x1, d0, d1] = page.picture_mm;
  const [a, b] = [to([x0, d0]), to([x1, d1])];
  const turned = (area: (row: StockRow) => number): string => {
    const side = page.rows.map((row): Point => to([turnedRadius(area(row)), row.depth_mm]));
    const [first, last] = [page.rows[0], page.rows.at(-1)];
    if (!first || !last) return "";
    return pathOf([to([0, first.depth_mm]), ...side, to([0, last.depth_mm])], true);
  };
  const least = (row: StockRow): number => Math.min(row.sound_inner_mm2, row.sound_outer_mm2);
  const most = (row: StockRow): number => Math.max(row.sound_inner_mm2, row.sound_outer_mm2);
  return (
    <g>
      <g clip-path="url(#stock-left)">
        <image href={page.picture} x={a[0]} y={a[1]} width={b[0] - a[0]} height={b[1] - a[1]} preserveAspectRatio="none" />
        <g fill="none">
          {page.drawing.shapes
            .filter((shape) => ["bone", "cortex", "dead", "uncertain"].includes(shape.role))
            .map((shape, i) => (
              <path key={i} d={pathOf(shape.points.map(([x, y]) => to([x, y])), shape.closed)} stroke="#8fd6ee" stroke-width={shape.role === "uncertain" ? 1 : 1.5} stroke-dasharray={shape.role === "uncertain" ? "1.5 2.5" : undefined} />
            ))}
        </g>
      </g>
      <g clip-path="url(#stock-right)">
        <path d={turned((row) => row.section_mm2[0])} fill="var(--bone)" stroke="var(--bone-line)" stroke-width="2" />
        <path d={turned((row) => row.section_mm2[0] - least(row))} fill="url(#stock-rim)" />
        <path d={turned((row) => row.section_mm2[0] - most(row))} fill="url(#stock-dead)" stroke="var(--bone-line)" stroke-width="1" />
      </g>
    </g>
  );
}

function Title({ x, y, title, unit, alarm = false }: { x: number; y: number; title: string; unit: string; alarm?: boolean }): JSX.Element {
  return (
    <g>
      <text x={x} y={y} font-size="13.5" font-weight="680" fill="var(--ink)">
        {title}
      </text>
      <text x={x} y={y + 17} font-size="12" fill={alarm ? "var(--near)" : "var(--ink-3)"} font-weight={alarm ? 600 : 420}>
        {unit}
      </text>
    </g>
  );
}

function Grid({ chart, layout, decimals }: { chart: Chart; layout: StockLayout; decimals: number }): JSX.Element {
  return (
    <g>
      {chart.ticks.map((tick, i) => (
        <g key={tick}>
          <path d={`M${chart.at.at(tick)} ${layout.top}V${layout.bottom}`} stroke="var(--rule)" stroke-width="1" />
          <text x={chart.at.at(tick)} y={layout.bottom + 14} class="st-small" text-anchor={i === 0 ? "start" : i === chart.ticks.length - 1 ? "end" : "middle"}>
            {tick === 0 ? "0" : digits(tick, decimals).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "")}
          </text>
        </g>
      ))}
    </g>
  );
}

function Section({ rows, layout, titleY }: { rows: readonly StockRow[]; layout: StockLayout; titleY: number }): JSX.Element {
  const { section: chart, depth } = layout;
  const line = (area: (row: StockRow) => number): Point[] => rows.map((row): Point => [chart.at.at(area(row)), depth.at(row.depth_mm)]);
  const between = (a: Point[], b: Point[]): string => pathOf([...a, ...[...b].reverse()], true);
  const zero = rows.map((row): Point => [chart.at.at(0), depth.at(row.depth_mm)]);
  const whole = line((row) => row.section_mm2[0]);
  const least = line((row) => Math.min(row.sound_inner_mm2, row.sound_outer_mm2));
  const most = line((row) => Math.max(row.sound_inner_mm2, row.sound_outer_mm2));
  const joined = rows.filter((row) => row.joined);
  const [from, to] = [joined[0], joined.at(-1)];
  return (
    <g>
      <Title x={chart.at.at(0)} y={titleY} title="Section and sound bone" unit="mm² across the neck axis" />
      <Grid chart={chart} layout={layout} decimals={0} />
      <path d={between(zero, least)} fill="var(--bone)" />
      <path d={between(least, most)} fill="url(#stock-rim)" />
      <path d={between(most, whole)} fill="url(#stock-dead)" />
      <path d={between(line((row) => row.section_mm2[1]), line((row) => row.section_mm2[2]))} fill="var(--bone-line)" opacity=".22" />
      <path d={pathOf(most, false)} fill="none" stroke="var(--bone-line)" stroke-width="1" stroke-dasharray="1.5 2.5" />
      <path d={pathOf(least, false)} fill="none" stroke="var(--bone-line)" stroke-width="1" />
      <path d={pathOf(whole, false)} fill="none" stroke="var(--bone-line)" stroke-width="2" />
      {from && to && depth.at(to.depth_mm) - depth.at(from.depth_mm) > 34 && (
        <g>
          <path d={`M${chart.at.at(0)} ${depth.at(from.depth_mm)}H${chart.at.at(chart.at.to)}`} stroke="var(--rule-strong)" stroke-width="1" stroke-dasharray="2 3" />
          <text x={chart.at.at(chart.at.to)} y={depth.at(from.depth_mm) - 5} class="st-small cased" text-anchor="end">
            runs into the trochanter
          </text>
        </g>
      )}
    </g>
  );
}

interface BandProps {
  rows: readonly StockRow[];
  chart: Chart;
  layout: StockLayout;
  value: (row: StockRow) => readonly [number, number, number] | null;
  least?: (row: StockRow) => number | null;
  title: string;
  unit: string;
  alarm?: boolean;
  decimals: number;
  titleY: number;
}

/** A value with its interval as a band; a gap where there is none. */
function Band({ rows, chart, layout, value, least, title, unit, alarm = false, decimals, titleY }: BandProps): JSX.Element {
  const runs: { row: StockRow; value: readonly [number, number, number] }[][] = [];
  rows.forEach((row, i) => {
    const here = value(row);
    if (!here) return;
    const before = rows[i - 1];
    if (!before || !value(before)) runs.push([]);
    runs.at(-1)?.push({ row, value: here });
  });
  const dots = rows.flatMap((row): Point[] => {
    const at = least?.(row) ?? null;
    return at === null ? [] : [[chart.at.at(at), layout.depth.at(row.depth_mm)]];
  });
  const point = (x: number, row: StockRow): Point => [chart.at.at(Math.min(chart.at.to, x)), layout.depth.at(row.depth_mm)];
  return (
    <g>
      <Title x={chart.at.at(0)} y={titleY} title={title} unit={unit} alarm={alarm} />
      <Grid chart={chart} layout={layout} decimals={decimals} />
      {runs.map((run, i) => (
        <g key={i}>
          <path d={pathOf([...run.map(({ row, value }) => point(value[1], row)), ...[...run].reverse().map(({ row, value }) => point(value[2], row))], true)} fill="var(--ink-3)" opacity=".24" />
          <path d={pathOf(run.map(({ row, value }) => point(value[0], row)), false)} fill="none" stroke="var(--ink)" stroke-width="1.6" />
        </g>
      ))}
      {dots.length > 1 && <path d={pathOf(dots, false)} fill="none" stroke="var(--ink)" stroke-width="1.5" stroke-dasharray="0.1 3.6" stroke-linecap="round" />}
    </g>
  );
}

/** A cut across the whole picture; take hold of it anywhere, or by its handle with the arrow keys. */
function Cut({ level, work, layout, svg, flag }: { level: CutLevelOut; work: StockWork; layout: StockLayout; svg: { current: SVGSVGElement | null }; flag: number }): JSX.Element | null {
  const held = useRef<{ pointer: number; off: number; moved: boolean } | null>(null);
  const depth_mm = work.depths[level.level] ?? level.depth.value;
  if (depth_mm === null) return null;
  const chosen = work.chosen === level.level;
  const y = layout.depth.at(depth_mm);
  const from = layout.picture.left - 8;
  const to = layout.wall.at.at(layout.wall.at.to) + 6;
  const end = layout.flags.left;
  const bend = `M${to} ${y}C${to + (end - to) * 0.5} ${y} ${to + (end - to) * 0.5} ${flag} ${end} ${flag}`;
  const handle = (layout.picture.right + layout.section.at.at(0)) / 2;
  const name = chosen ? "d-cut chosen" : "d-cut";
  const place = (event: PointerEvent): number => event.clientY - (svg.current?.getBoundingClientRect().top ?? 0);
  return (
    <g
      class="st-cut"
      data-level={level.level}
      onPointerDown={(event) => {
        if (event.button !== 0) return;
        event.currentTarget.setPointerCapture(event.pointerId);
        held.current = { pointer: event.pointerId, off: place(event) - y, moved: false };
        svg.current?.querySelector<SVGElement>(`[data-level=${level.level}] .st-handle`)?.focus({ preventScroll: true });
      }}
      onPointerMove={(event) => {
        const hand = held.current;
        if (!hand || hand.pointer !== event.pointerId) return;
        const at = place(event) - hand.off;
        if (!hand.moved && Math.abs(at - y) < 3) return;
        hand.moved = true;
        work.move(level.level as Level, layout.depth.value(at));
      }}
      onPointerUp={() => {
        const hand = held.current;
        held.current = null;
        if (!hand) return;
        if (hand.moved) work.keep(level.level as Level);
        else work.choose(level.level as Level);
      }}
      onPointerCancel={() => (held.current = null)}
    >
      <path d={`M${from} ${y}H${to}`} stroke="transparent" stroke-width="15" />
      <path d={`M${from} ${y}H${to}`} class={name} />
      <path d={bend} class={name} />
      <circle
        class="st-handle"
        cx={handle}
        cy={y}
        r={chosen ? 7 : 5}
        fill="var(--sheet)"
        stroke="var(--mark)"
        stroke-width={chosen ? 2.5 : 1.8}
        tabIndex={0}
        role="slider"
        aria-orientation="vertical"
        aria-label={`Cut ${level.word}, mm below the top of the head`}
        aria-valuemin={level.range_mm[0]}
        aria-valuemax={level.range_mm[1]}
        aria-valuenow={depth_mm}
        onFocus={() => work.chosen !== level.level && held.current === null && work.choose(level.level as Level)}
      />
    </g>
  );
}
