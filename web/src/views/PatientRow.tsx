/** One hip on the patients page. */

import type { JSX } from "preact";
import type { HipRow } from "../api/schema";
import type { Ruler } from "../geometry/ruler";
import { sideWords } from "../model/format";
import { LifeLine } from "../parts/LifeMarks";
import { Link } from "../parts/router";
import { RuleLines } from "./PatientsView";

interface RowProps {
  row: HipRow;
  /** The row above is the same patient: the name need not be said again. */
  follows: boolean;
  today: string;
  years: Ruler;
  here: boolean;
  focus: () => void;
  open: () => void;
}

const HEIGHT = 43;
const BEFORE: Partial<Record<HipRow["next"]["state"], string>> = { late: "Late: ", stopped: "Stopped: " };

export function PatientRow({ row, follows, today, years, here, focus, open }: RowProps): JSX.Element {
  const to = `/hip/${encodeURIComponent(row.hip_id)}`;
  const press = row.next.state === "none" ? "btn plain sm" : here ? "btn do sm" : "btn sm";
  return (
    <tr class={[row.next.state, here ? "is-here" : ""].join(" ")} onFocusIn={focus} onClick={(event) => !(event.target as Element).closest("a") && open()}>
      <td class="who">
        {follows ? (
          <span class="same">the other hip</span>
        ) : (
          <>
            <b>{row.person.name}</b>
            <span>{personShort(row)}</span>
          </>
        )}
      </td>
      <td class="sd">{sideWords(row.side)}</td>
      <td class="c-life">
        <svg width={years.at(years.to) + 1} height={HEIGHT} role="img" aria-label={row.marks.map((mark) => `${mark.on}: ${mark.words}`).join("; ")}>
          <RuleLines years={years} today={today} height={HEIGHT} />
          <LifeLine marks={row.marks} today={today} years={years} y={HEIGHT / 2} late={row.next.state === "late"} />
        </svg>
      </td>
      <td class="what">
        <b>
          {BEFORE[row.next.state] && <em>{BEFORE[row.next.state]}</em>}
          {row.next.title}
        </b>
        <span>{row.next.detail}</span>
      </td>
      <td class="act">
        <Link to={to} class={press} aria-label={`Open ${row.person.name}, ${sideWords(row.side)}`}>
          Open
        </Link>
      </td>
    </tr>
  );
}

function personShort(row: HipRow): string {
  const { number, born, age_years: age } = row.person;
  const year = born ? `born ${born.slice(0, 4)}` : "birth date not known";
  return [number || "no number", age === null ? year : `${year}, ${age} y`].join(" · ");
}
