/** The marks of a hip's line, and the line itself: lived solid, to come dotted. */

import type { JSX } from "preact";
import type { LifeMark } from "../api/schema";
import type { Ruler } from "../geometry/ruler";
import { dateWords } from "../model/format";
import { beginning, markWords, MARK_ORDER, yearOf } from "../model/life";

export function MarkGlyph({ kind, x, y, late = false }: { kind: LifeMark["kind"]; x: number; y: number; late?: boolean }): JSX.Element {
  switch (kind) {
    case "film_not_read":
      return <rect x={x - 5} y={y - 5} width="10" height="10" fill="var(--sheet)" stroke="var(--ink)" stroke-width="2" />;
    case "compared":
      return <path d={`M${x} ${y - 6}V${y + 6}`} stroke="var(--ink)" stroke-width="2" />;
    case "planned":
      return <path d={`M${x} ${y - 11}V${y + 11}`} stroke="var(--mark)" stroke-width="2.5" stroke-dasharray="3 2" />;
    case "signed":
      return <path d={`M${x} ${y - 11}V${y + 11}`} stroke="var(--mark)" stroke-width="2" />;
    case "operated":
      return <path d={`M${x} ${y - 11}V${y + 11}`} stroke="var(--mark)" stroke-width="4.5" />;
    case "due":
      return <circle cx={x} cy={y} r="5" fill="var(--sheet)" stroke={late ? "var(--outside)" : "var(--ink)"} stroke-width="2" />;
    case "event":
      return <path d={`M${x - 4} ${y - 6}l8 12m0 -12l-8 12`} stroke="var(--outside)" stroke-width="2.4" />;
    case "read":
      return <rect x={x - 4.5} y={y - 4.5} width="9" height="9" fill="var(--ink)" stroke="var(--sheet)" stroke-width="1.2" />;
    case "seen":
      return <circle cx={x} cy={y} r="4" fill="var(--ink)" stroke="var(--sheet)" stroke-width="1.2" />;
  }
}

interface LifeLineProps {
  marks: readonly LifeMark[];
  today: string;
  years: Ruler;
  y: number;
  late?: boolean;
}

export function LifeLine({ marks, today, years, y, late = false }: LifeLineProps): JSX.Element {
  const [from, now, end] = [years.at(beginning(marks, today)), years.at(yearOf(today)), years.at(years.to)];
  const ordered = [...marks].sort((a, b) => MARK_ORDER.indexOf(a.kind) - MARK_ORDER.indexOf(b.kind));
  return (
    <g>
      <path d={`M${now} ${y}H${end}`} stroke="var(--rule-strong)" stroke-width="1.6" stroke-dasharray="2 5" fill="none" />
      <path d={`M${from} ${y}H${now}`} stroke="var(--ink)" stroke-width="2.4" fill="none" />
      <path d={`M${from} ${y - 6}V${y + 6}`} stroke="var(--ink)" stroke-width="2.4" />
      {ordered.map((mark, i) => (
        <g key={i}>
          <title>{`${dateWords(mark.on)}: ${mark.words || markWords[mark.kind]}`}</title>
          <MarkGlyph kind={mark.kind} x={years.at(yearOf(mark.on))} y={y} late={late} />
        </g>
      ))}
    </g>
  );
}

/** Names only the kinds that are on the page. */
export function MarksLegend({ marks }: { marks: readonly LifeMark[] }): JSX.Element {
  const kinds = new Set(marks.map((mark) => mark.kind));
  return (
    <div class="leg" aria-label="Legend">
      {MARK_ORDER.filter((kind) => kinds.has(kind)).map((kind) => (
        <span key={kind}>
          <svg width="16" height="22" viewBox="0 0 16 22" aria-hidden="true">
            <MarkGlyph kind={kind} x={8} y={11} />
          </svg>
          {markWords[kind]}
        </span>
      ))}
    </div>
  );
}
