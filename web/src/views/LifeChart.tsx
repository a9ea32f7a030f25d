/** One hip's line, ruled in years: the whole life above, the years that matter below, and the films that hang from them. */

import type { JSX } from "preact";
import type { FilmCard, HipPage } from "../api/schema";
import { graduations, ruler } from "../geometry/ruler";
import { spread } from "../geometry/spread";
import { dateWords } from "../model/format";
import { markWords, yearOf, yearsToShow } from "../model/life";
import { useSize } from "../parts/hooks";
import { LifeLine } from "../parts/LifeMarks";
import { FilmTile } from "./FilmTile";

const LEFT = 152;
const RIGHT = 24;
const TILE = 84;
/** A life is ruled to this age; the years after today are those the hip still has to serve. */
const LAST_AGE = 90;

export function LifeChart({ page, low }: { page: HipPage; low: boolean }): JSX.Element {
  const [see, { width }] = useSize<HTMLDivElement>();
  const bornYear = page.person.born ? yearOf(page.person.born) : null;
  const now = yearOf(page.today);
  const taken = page.films.filter((film) => film.taken !== null && film.used_here);
  const marks = page.marks;
  const { from, to } = yearsToShow([...marks, ...taken.map((film) => ({ kind: "seen" as const, on: film.taken ?? page.today, words: "" }))], page.today, 2, 2);
  const years = ruler(from, to, LEFT, Math.max(LEFT + 100, width - RIGHT));
  const top = bornYear === null || low ? 0 : 64;
  const line = top + 40;
  const ages = bornYear === null ? null : ruler(0, LAST_AGE, LEFT, Math.max(LEFT + 100, width - RIGHT));
  const places = spread(
    taken.map((film) => years.at(yearOf(film.taken ?? page.today))),
    TILE + 34,
    LEFT + TILE / 2,
    width - RIGHT - TILE / 2,
  );
  const named = marks.filter((mark) => mark.kind !== "film_not_read" && mark.kind !== "seen" && mark.kind !== "read");
  const tops = line + 34;
  return (
    <div class="lifechart" ref={see} style={{ height: `${tops + (taken.length > 0 ? TILE + 44 : 8)}px` }}>
      {width > 0 && (
        <>
          <svg width={width} height={tops + 10} aria-hidden="true">
            {ages && bornYear !== null && top > 0 && (
              <g>
                <path d={`M${ages.at(from - bornYear)} 26L${years.at(from)} ${line}H${years.at(to)}L${ages.at(Math.min(LAST_AGE, to - bornYear))} 26Z`} fill="var(--well)" opacity=".6" />
                <path d={`M${ages.at(now - bornYear)} 26H${ages.at(LAST_AGE)}`} stroke="var(--rule-strong)" stroke-width="1.6" stroke-dasharray="2 5" />
                <path d={`M${ages.at(0)} 26H${ages.at(now - bornYear)}`} stroke="var(--ink)" stroke-width="2.4" />
                {graduations(0, LAST_AGE, 10).map((age) => (
                  <g key={age}>
                    <path d={`M${ages.at(age)} 26v6`} stroke={age <= now - bornYear ? "var(--ink)" : "var(--rule-strong)"} stroke-width="1.5" />
                    <text x={ages.at(age)} y="45" font-size="12" text-anchor="middle" fill="var(--ink-2)">
                      {age}
                    </text>
                  </g>
                ))}
                <circle cx={ages.at(now - bornYear)} cy="26" r="5" fill="var(--sheet)" stroke="var(--ink)" stroke-width="2" />
                <text x={ages.at(now - bornYear) + 10} y="17" font-size="12.5" font-weight="640" fill="var(--ink)">
                  today, {Math.floor(now - bornYear)}
                </text>
                <text x={ages.at(LAST_AGE)} y="17" font-size="12" text-anchor="end" fill="var(--ink-2)">
                  the years this hip still has to serve
                </text>
              </g>
            )}
            {graduations(from, to, 1).map((year) => (
              <g key={year}>
                <path d={`M${years.at(year)} ${line}v9`} stroke={year <= now ? "var(--ink)" : "var(--rule-strong)"} stroke-width="1.5" />
                {year < to && (
                  <text x={years.at(year) + 5} y={line + 16} font-size="12.5" font-weight="560" fill="var(--ink-2)">
                    {year}
                  </text>
                )}
              </g>
            ))}
            {taken.map((film, i) => {
              const x = years.at(yearOf(film.taken ?? page.today));
              return <path key={film.film_id} d={`M${x} ${line}V${tops - 8}L${places[i] ?? x} ${tops}`} stroke="var(--rule-strong)" stroke-width="1" fill="none" />;
            })}
            <path d={`M${years.at(now)} ${line - 12}V${tops + 10}`} stroke="var(--ink)" stroke-width="1.4" stroke-dasharray="1.4 2" />
            <LifeLine marks={marks} today={page.today} years={years} y={line} />
            <MarkNames marks={named} at={(on) => years.at(yearOf(on))} y={line - 13} right={width - RIGHT} />
          </svg>
          {ages && top > 0 && <RowName title="Whole life" note="age in years" top={14} />}
          <RowName title="This hip" note="years" top={line - 12} />
          {taken.length > 0 && <RowName title="Seen" note="films" top={tops + 6} />}
          {taken.map((film, i) => (
            <FilmTile key={film.film_id} film={film} hip={page.hip_id} left={(places[i] ?? 0) - TILE / 2} top={tops} size={TILE} today={page.today} />
          ))}
        </>
      )}
    </div>
  );
}

function RowName({ title, note, top }: { title: string; note: string; top: number }): JSX.Element {
  return (
    <p class="rowname" style={{ top: `${top}px` }}>
      <b>{title}</b>
      <span>{note}</span>
    </p>
  );
}

/** Names over the line; of two that would touch, the later stands, since it is nearer to what comes next. */
function MarkNames({ marks, at, y, right }: { marks: HipPage["marks"]; at: (on: string) => number; y: number; right: number }): JSX.Element {
  const shown: { x: number; words: string; key: string; violet: boolean }[] = [];
  let free = right;
  for (const mark of [...marks].sort((a, b) => b.on.localeCompare(a.on))) {
    const words = `${mark.words || markWords[mark.kind]}, ${dateWords(mark.on)}`;
    const room = words.length * 6.4;
    const x = Math.min(at(mark.on), free - room / 2);
    if (x - room / 2 < LEFT || at(mark.on) - x > room / 2) continue;
    shown.push({ x, words, key: mark.kind + mark.on, violet: ["planned", "signed", "operated"].includes(mark.kind) });
    free = x - room / 2 - 12;
  }
  return (
    <g>
      {shown.map(({ x, words, key, violet }) => (
        <text key={key} x={x} y={y} font-size="12" text-anchor="middle" font-weight={violet ? 640 : 420} fill={violet ? "var(--mark)" : "var(--ink-2)"}>
          {words}
        </text>
      ))}
    </g>
  );
}

export type { FilmCard };
