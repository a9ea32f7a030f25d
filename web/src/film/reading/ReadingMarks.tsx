/** A reading drawn on its film: violet placed by a person, blue found and not yet accepted, ink measured. */

import type { JSX } from "preact";
import type { DrawnLine, LeftOut, Measure, ReadingState } from "../../api/schema";
import { valueWords } from "../../model/format";
import { aroundPoint, besideLine, type Obstacle, placeLabels, type Wanted, wordsWidth, type XY } from "../geometry/labels";
import { arcPoints, keptArcs, onCircle, sweepDeg } from "../geometry/shapes";
import { fromWire, type ImageCircle, type ImagePoint } from "../geometry/types";
import { toScreen, type Viewport } from "../geometry/viewport";
import { groupOf, nameOf } from "../model/reading";
import { wrapped } from "../model/words";
import { Corner, Cross, FoundPoint, Line, WordLines, Words } from "../viewer/marks";

interface ReadingMarksProps {
  view: Viewport;
  state: ReadingState;
  drawn: readonly DrawnLine[];
  /** The number that belongs to a drawn line, by the line's key. */
  numbers: ReadonlyMap<string, Measure>;
  selected: string | null;
  /** Clicks of a snap or of an outline under way. */
  pending: readonly ImagePoint[];
  pendingOutline: readonly ImagePoint[] | null;
  labelOf: (key: string) => string;
}

export function ReadingMarks({ view, state, drawn, numbers, selected, pending, pendingOutline, labelOf }: ReadingMarksProps): JSX.Element {
  const on = (point: readonly number[]) => toScreen(view, fromWire(point));
  const isFound = (key: string): boolean => state.found.includes(key);
  return (
    <>
      {drawn.map((line) => (
        <Measured key={line.key} line={line} view={view} />
      ))}
      {Object.entries(state.outlines).map(([key, corners]) => (
        <Outline key={key} outlineKey={key} corners={corners.map(fromWire)} view={view} found={isFound(key)} selected={selected === key} />
      ))}
      {Object.entries(state.circles).map(([key, circle]) => (
        <HeadCircle key={key} circle={circle as unknown as ImageCircle} view={view} found={isFound(key)} words={isFound(key) || (selected !== null && groupOf(selected) === groupOf(key))} leftOut={state.left_out[key] ?? []} />
      ))}
      {Object.entries(state.points).map(([key, point]) =>
        isFound(key) ? <FoundPoint key={key} at={on(point)} chosen={selected === key} /> : <Cross key={key} at={on(point)} chosen={selected === key} />,
      )}
      {pendingOutline && pendingOutline.length > 0 && (
        <>
          <Line points={pendingOutline.map(on)} colour="var(--mark)" width={2} />
          {pendingOutline.map((corner, i) => (
            <Corner key={i} at={on(corner)} first={i === 0} />
          ))}
        </>
      )}
      {pending.map((click, i) => (
        <Cross key={i} at={on(click)} />
      ))}
      {/* Words last, so that no mark lies on them. */}
      <Labels {...{ view, state, drawn, numbers, selected, labelOf }} />
    </>
  );
}

/** Points whose place alone does not say what they are. */
const LABELLED = new Set(["lesser_trochanter", "greater_trochanter"]);

function Measured({ line, view }: { line: DrawnLine; view: Viewport }): JSX.Element {
  const points = line.points.map((point) => toScreen(view, fromWire(point)));
  return <Line points={points} width={1.2} closed={line.kind === "circle"} {...(line.kind === "dashed" ? { dash: "5 3" } : {})} />;
}

interface Said extends Wanted {
  readonly words: string;
  readonly size: number;
  readonly weight: number;
  readonly colour: string;
}

function Labels({ view, state, drawn, numbers, selected, labelOf }: Omit<ReadingMarksProps, "pending" | "pendingOutline">): JSX.Element {
  const on = (point: readonly number[]) => toScreen(view, fromWire(point));
  const say = (key: string, words: string, style: Pick<Said, "size" | "weight" | "colour">, places: (width: number, height: number) => readonly XY[]): Said => {
    const [width, height] = [wordsWidth(words, style.size), style.size + 2];
    return { key, words, ...style, width, height, places: places(width, height) };
  };
  const colourOf = (key: string): string => (state.found.includes(key) ? "var(--found)" : "var(--mark)");
  const said: Said[] = [];
  for (const line of drawn) {
    const [a, b] = [line.points[0], line.points.at(-1)];
    const number = numbers.get(line.key);
    const value = number && valueWords(number);
    // A line of a measure that has no value on this film carries no word either.
    const words = value ? `${value}${number.unit === "deg" ? "°" : ""}` : /_(mm|deg)$/.test(line.key) ? null : line.label;
    if (!a || !b || !words) continue;
    said.push(say(line.key, words, { size: value ? 15 : 12.5, weight: value ? 680 : 560, colour: "var(--ink)" }, (width, height) => besideLine(on(a), on(b), width, height)));
  }
  for (const [key, point] of Object.entries(state.points)) {
    const chosen = selected === key && nameOf(key) !== "head_centre";
    if (!chosen && !LABELLED.has(nameOf(key))) continue;
    const outward = key.startsWith("left.") ? 1 : -1;
    const first: XY = nameOf(key) === "greater_trochanter" ? [outward * 0.3, -1] : [-outward, 0.7];
    said.push(say(key, chosen ? labelOf(key) : labelOf(key).replace(/, (left|right)$/, ""), { size: 12.5, weight: 560, colour: chosen ? colourOf(key) : "var(--ink)" }, (width, height) => aroundPoint(on(point), width, height, first)));
  }
  for (const [key, corners] of Object.entries(state.outlines)) {
    if (!nameOf(key).startsWith("lesion") || selected === key || corners.length < 3) continue;
    const points = corners.map(on);
    const medial = points.reduce<XY>((best, point) => (point[0] > best[0] ? point : best), points[0] as XY);
    said.push(say(key, "dead bone", { size: 12.5, weight: 560, colour: colourOf(key) }, (width, height) => aroundPoint(medial, width, height, [1, 0.2])));
  }
  const places = placeLabels(said, obstaclesOf(state, drawn, selected, on), { left: 4, top: 4, right: Infinity, bottom: Infinity });
  return (
    <>
      {said.map((label) => {
        const at = places.get(label.key);
        return at ? (
          <Words key={label.key} at={[at[0], at[1] + label.size * 0.36]} size={label.size} weight={label.weight} colour={label.colour}>
            {label.words}
          </Words>
        ) : null;
      })}
    </>
  );
}

/** Marks must stay in sight; a thin line may run under words, though better not. */
function obstaclesOf(state: ReadingState, drawn: readonly DrawnLine[], selected: string | null, on: (point: readonly number[]) => XY): Obstacle[] {
  const along = (a: XY, b: XY, weight: number): Obstacle[] => {
    const steps = Math.min(40, Math.ceil(Math.hypot(b[0] - a[0], b[1] - a[1]) / 8));
    return Array.from({ length: steps + 1 }, (_, i) => ({ at: [a[0] + ((b[0] - a[0]) * i) / (steps || 1), a[1] + ((b[1] - a[1]) * i) / (steps || 1)] as XY, weight }));
  };
  return [
    ...Object.values(state.points).map((point): Obstacle => ({ at: on(point), weight: 6 })),
    ...Object.values(state.circles).flatMap(([column, row, radius]) => Array.from({ length: 48 }, (_, i): Obstacle => ({ at: on([column + radius * Math.cos((i * Math.PI) / 24), row + radius * Math.sin((i * Math.PI) / 24)]), weight: 0.8 }))),
    ...Object.entries(state.outlines).flatMap(([key, corners]) => corners.filter((_, i) => corners.length < 60 || i % 3 === 0).map((corner): Obstacle => ({ at: on(corner), weight: key === selected ? 3 : 0.5 }))),
    ...drawn.flatMap((line) => line.points.slice(1).flatMap((point, i) => along(on(line.points[i] as [number, number]), on(point), 0.4))),
  ];
}

function HeadCircle({ circle, view, found, words, leftOut }: { circle: ImageCircle; view: Viewport; found: boolean; words: boolean; leftOut: readonly LeftOut[] }): JSX.Element {
  const colour = found ? "var(--found)" : "var(--mark)";
  const arc = (from: number, to: number) => arcPoints(circle, from, to, view.rowFactor).map((point) => toScreen(view, point));
  return (
    <>
      {keptArcs(leftOut).map((kept) => (
        <Line key={kept.from_deg} points={arc(kept.from_deg, kept.to_deg)} colour={colour} width={2} />
      ))}
      {leftOut.map((gap) => (
        <g key={gap.from_deg}>
          <Line points={arc(gap.from_deg, gap.to_deg)} colour={colour} width={1.8} dash="2 5" casing={false} />
          {words && <LeftOutWords circle={circle} gap={gap} view={view} colour={colour} />}
        </g>
      ))}
    </>
  );
}

/** Why an arc was left out, on a leader away from the head's centre. Short arcs are only dotted. */
function LeftOutWords({ circle, gap, view, colour }: { circle: ImageCircle; gap: LeftOut; view: Viewport; colour: string }): JSX.Element | null {
  const sweep = sweepDeg(gap.from_deg, gap.to_deg);
  const middle = gap.from_deg + sweep / 2;
  const [x, y] = toScreen(view, onCircle(circle, middle, view.rowFactor));
  if (sweep < LABELLED_ARC_DEG || circle[2] * view.zoom < 30) return null;
  const a = (middle * Math.PI) / 180;
  const [across, up] = [Math.cos(a), Math.sin(a)];
  const end = [x + across * 34, y - up * 34] as const;
  const lines = wrapped(`${shortReason(gap.why)}, ${Math.round(sweep)}°, left out of the circle`, 28);
  const anchor = Math.abs(across) < 0.5 ? "middle" : across > 0 ? "start" : "end";
  const height = lines.length * 16;
  const top = anchor === "middle" ? (up > 0 ? end[1] - height + 8 : end[1] + 16) : end[1] - height / 2 + 14;
  return (
    <>
      <Line points={[[x, y], end]} colour={colour} width={1} casing={false} />
      <WordLines lines={lines} at={[end[0] + (anchor === "start" ? 5 : anchor === "end" ? -5 : 0), top]} anchor={anchor} colour={colour} size={12.5} weight={560} />
    </>
  );
}

/** The first clause of a reason: the film has room for no more, the next box has the rest. */
export const shortReason = (why: string): string => (why.split(/[:;(,]/)[0] ?? why).trim();

const LABELLED_ARC_DEG = 25;

function Outline({ outlineKey, corners, view, found, selected }: { outlineKey: string; corners: readonly ImagePoint[]; view: Viewport; found: boolean; selected: boolean }): JSX.Element {
  const points = corners.map((corner) => toScreen(view, corner));
  const name = nameOf(outlineKey);
  const closed = name.startsWith("lesion");
  const colour = found ? "var(--found)" : "var(--mark)";
  return (
    <>
      <Line points={points} closed={closed} colour={colour} width={closed ? 1.8 : 1.6} {...(closed ? { dash: "6 4" } : {})} opacity={closed || name === "collapse" ? 1 : 0.85} />
      {selected && points.map((point, i) => <Corner key={i} at={point} />)}
    </>
  );
}
