/** A reading drawn on its film: violet placed by a person, blue found and not yet accepted, ink measured. */

import type { JSX } from "preact";
import type { DrawnLine, LeftOut, Measure, ReadingState } from "../../api/schema";
import { valueWords } from "../../model/format";
import { arcPoints, keptArcs, onCircle, sweepDeg } from "../geometry/shapes";
import { fromWire, type ImageCircle, type ImagePoint } from "../geometry/types";
import { toScreen, type Viewport } from "../geometry/viewport";
import { groupOf, nameOf } from "../model/reading";
import { wrapped } from "../model/words";
import { Cross, FoundPoint, Handle, Line, WordLines, Words } from "../viewer/marks";

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
        <Measured key={line.key} line={line} view={view} number={numbers.get(line.key) ?? null} />
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
      {Object.entries(state.points).map(([key, point]) => {
        const chosen = selected === key && nameOf(key) !== "head_centre";
        if (!chosen && !LABELLED.has(nameOf(key))) return null;
        // Words stand on the outer side of a trochanter's own hip, away from the lines to the head.
        const [x, y] = on(point);
        const outward = key.startsWith("left.") ? 1 : -1;
        const high = nameOf(key) === "greater_trochanter";
        const colour = !chosen ? "var(--ink)" : isFound(key) ? "var(--found)" : "var(--mark)";
        return (
          <Words key={key} at={high ? [x + outward * 8, y - 18] : [x - outward * 16, y + 18]} anchor={high ? "middle" : outward === 1 ? "end" : "start"} size={12.5} weight={560} colour={colour}>
            {chosen ? labelOf(key) : labelOf(key).replace(/, (left|right)$/, "")}
          </Words>
        );
      })}
      {pendingOutline && pendingOutline.length > 0 && (
        <>
          <Line points={pendingOutline.map(on)} colour="var(--mark)" width={2} />
          {pendingOutline.map((corner, i) => (
            <Handle key={i} at={on(corner)} held={i === 0} />
          ))}
        </>
      )}
      {pending.map((click, i) => (
        <Cross key={i} at={on(click)} />
      ))}
    </>
  );
}

/** Points whose place alone does not say what they are. */
const LABELLED = new Set(["lesser_trochanter", "greater_trochanter"]);

function Measured({ line, view, number }: { line: DrawnLine; view: Viewport; number: Measure | null }): JSX.Element | null {
  const points = line.points.map((point) => toScreen(view, fromWire(point)));
  const [first, last] = [points[0], points.at(-1)];
  if (!first || !last) return null;
  const middle = [(first[0] + last[0]) / 2, (first[1] + last[1]) / 2] as const;
  const at = line.label_at ? toScreen(view, fromWire(line.label_at)) : middle;
  const value = number && valueWords(number);
  // A line of a measure that has no value on this film carries no word either.
  const measure = /_(mm|deg)$/.test(line.key);
  const words = value ? `${value}${number.unit === "deg" ? "°" : ""}` : measure ? null : line.label;
  return (
    <>
      <Line points={points} width={1.2} closed={line.kind === "circle"} {...(line.kind === "dashed" ? { dash: "5 3" } : {})} />
      {words && (
        <Words at={[at[0], at[1] - 5]} size={value ? 15 : 12.5} weight={value ? 680 : 560}>
          {words}
        </Words>
      )}
    </>
  );
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
  const medial = points.reduce((best, point) => (point[0] > best[0] ? point : best), points[0] ?? ([0, 0] as const));
  return (
    <>
      <Line points={points} closed={closed} colour={colour} width={closed ? 1.8 : 1.6} {...(closed ? { dash: "6 4" } : {})} opacity={closed || name === "collapse" ? 1 : 0.85} />
      {closed && !selected && points.length > 2 && (
        <Words at={[medial[0] + 8, medial[1] + 4]} anchor="start" size={12.5} weight={560} colour={colour}>
          dead bone
        </Words>
      )}
      {selected && points.map((point, i) => <Handle key={i} at={point} />)}
    </>
  );
}
