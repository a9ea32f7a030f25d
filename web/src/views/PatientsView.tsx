/** Every hip is one line; what is due comes first. */

import type { JSX } from "preact";
import { useCallback, useEffect, useRef, useState } from "preact/hooks";
import { at } from "../api/client";
import type { HipRow, HipsPage, JobOut } from "../api/schema";
import { graduations, ruler, type Ruler } from "../geometry/ruler";
import type { Action } from "../model/actions";
import { weekdayWords } from "../model/format";
import { yearOf, yearsToShow } from "../model/life";
import { useLoad, useSize, useStore } from "../parts/hooks";
import { DropHere, ImportProgress } from "../parts/Importing";
import { chooseFiles, openDemo } from "../parts/importing";
import { jobs } from "../parts/jobs";
import { MarksLegend } from "../parts/LifeMarks";
import { Press } from "../parts/Press";
import { Reader } from "../parts/Reader";
import { go } from "../parts/router";
import { Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";
import { EmptyView } from "./EmptyView";
import { PatientRow } from "./PatientRow";

export function PatientsView(): JSX.Element {
  const [find, setFind] = useState("");
  const { data, error, again } = useLoad<HipsPage>(at("/api/hips", undefined, { find }));
  // The page stays while a new list is fetched: letters typed must not make it blink.
  const last = useRef<HipsPage | null>(null);
  if (data) last.current = data;
  const page = data ?? last.current;
  const done = useCallback((_: JobOut) => again(), [again]);
  // Hips appear as they come in, also those of work found again after a reload.
  const progress = useStore(jobs).map((job) => `${job.job_id} ${job.state} ${job.lines.length} ${job.hip_ids.length}`).join();
  const first = useRef(true);
  useEffect(() => {
    if (!first.current) again();
    first.current = false;
  }, [progress]);
  if (error && !page) {
    return (
      <Shell title="Patients">
        <Stopped error={error} again={again} />
      </Shell>
    );
  }
  if (!page) return <Shell title="Patients" children={null} />;
  if (page.hips === 0 && find === "") return <EmptyView done={done} />;
  return <Patients page={page} find={find} setFind={setFind} done={done} />;
}

interface PatientsProps {
  page: HipsPage;
  find: string;
  setFind: (find: string) => void;
  done: (job: JobOut) => void;
}

function Patients({ page, find, setFind, done }: PatientsProps): JSX.Element {
  const field = useRef<HTMLInputElement>(null);
  const [see, { width }] = useSize<HTMLTableCellElement>();
  const rows = page.groups.flatMap((group) => group.rows);
  const [here, setHere] = useState(0);
  const current = Math.min(here, Math.max(0, rows.length - 1));
  useEffect(() => setHere(0), [find]);
  useEffect(() => document.querySelector("tr.is-here")?.scrollIntoView({ block: "nearest" }), [current]);

  const marks = rows.flatMap((row) => row.marks);
  const { from, to } = yearsToShow(marks, page.today);
  const years = ruler(from, to, 0, Math.max(1, width - 24));
  const open = (row: HipRow | undefined): void => {
    if (row) go(`/hip/${encodeURIComponent(row.hip_id)}`);
  };

  const actions: Action[] = [
    { id: "patients.down", title: "Next hip", keys: ["ArrowDown"], written: "↑ ↓", foot: "hip", run: () => setHere(Math.min(rows.length - 1, current + 1)) },
    { id: "patients.up", title: "Hip before", keys: ["ArrowUp"], run: () => setHere(Math.max(0, current - 1)) },
    { id: "patients.open", title: "Open this hip", keys: [], violet: true, foot: "open", run: () => open(rows[current]) },
    { id: "patients.find", title: "Find a patient", keys: ["/"], foot: "find", run: () => field.current?.focus() },
    { id: "patients.images", title: "Take images in", keys: ["o"], foot: "images", run: () => chooseFiles(false) },
    { id: "patients.folder", title: "Take a folder of images in", keys: ["Shift+o"], run: () => chooseFiles(true) },
    { id: "patients.demo", title: "Open the six demo patients", keys: ["Shift+d"], run: () => void openDemo(done) },
  ];

  return (
    <Shell
      title="Patients"
      actions={actions}
      mainClass="patients"
      plate={
        <>
          <div class="who">
            <b>headstock</b>
            <span>
              Bone-conserving hips, <Reader />
            </span>
          </div>
          <div class="gap" />
          <label class="field find">
            <span class="vh">Find</span>
            <input
              ref={field}
              value={find}
              placeholder="Name, number or date of birth"
              onInput={(event) => setFind(event.currentTarget.value)}
              onKeyDown={(event) => {
                if (event.key === "Escape") (setFind(""), event.currentTarget.blur());
                if (event.key === "Enter" || event.key === "ArrowDown") event.currentTarget.blur();
              }}
            />
            <kbd>/</kbd>
          </label>
          <Press onPress={() => chooseFiles(false)}>Drop images in</Press>
          <Press onPress={() => chooseFiles(true)}>Choose a folder</Press>
        </>
      }
    >
      <div class="hd">
        <h1>{page.finding}</h1>
        <p class="k">
          {weekdayWords(page.today)} · {count(page.hips, "hip")} of {count(page.patients, "patient")}
        </p>
      </div>
      <ImportProgress />
      <div class="rows" style={{ "--today": `${years.at(yearOf(page.today))}px` }}>
        {rows.length === 0 ? (
          <p class="says none">
            No patient is called, numbered or born like “{find}”. <Press kind="plain" onPress={() => setFind("")}>Show all</Press>
          </p>
        ) : (
          <table>
            <thead>
              <tr>
                <th class="c-who">Patient</th>
                <th class="c-hip">Hip</th>
                <th class="c-life" ref={see}>
                  <YearRule years={years} today={page.today} />
                </th>
                <th class="c-next">Next</th>
                <th class="c-act">
                  <span class="vh">Open</span>
                </th>
              </tr>
            </thead>
            <tbody>
              {page.groups.map((group) => (
                <>
                  <tr class="g" key={group.title}>
                    <th colSpan={2} scope="rowgroup">
                      {group.title}
                    </th>
                    <td class="c-life">
                      <Rules years={years} today={page.today} height={29} />
                    </td>
                    <td colSpan={2} />
                  </tr>
                  {group.rows.map((row, i) => (
                    <PatientRow
                      key={row.hip_id}
                      row={row}
                      follows={row.is_other_hip && group.rows[i - 1]?.person.patient_id === row.person.patient_id}
                      today={page.today}
                      years={years}
                      here={rows[current]?.hip_id === row.hip_id}
                      focus={() => setHere(rows.indexOf(row))}
                      open={() => open(row)}
                    />
                  ))}
                </>
              ))}
            </tbody>
          </table>
        )}
      </div>
      <MarksLegend marks={marks} />
      <DropHere done={done} />
    </Shell>
  );
}

function count(n: number, word: string): string {
  return `${n} ${word}${n === 1 ? "" : "s"}`;
}

function YearRule({ years }: { years: Ruler; today: string }): JSX.Element {
  const all = graduations(years.from, years.to, 1);
  const room = all.length > 1 ? years.at(all[1] ?? 0) - years.at(all[0] ?? 0) : 100;
  return (
    <svg width={years.at(years.to) + 1} height="22" aria-hidden="true">
      {all.map((year, i) => (
        <g key={year}>
          <path d={`M${years.at(year) + 0.5} 2V22`} stroke="var(--rule-strong)" stroke-width="1" />
          {year < years.to && (room > 38 || i % 2 === 0) && (
            <text x={years.at(year) + 4} y="14" font-size="12" font-weight="560" fill="var(--ink-2)">
              {year}
            </text>
          )}
        </g>
      ))}
    </svg>
  );
}

/** Year lines and today, running down through every row. */
export function Rules({ years, today, height }: { years: Ruler; today: string; height: number }): JSX.Element {
  return (
    <svg class="rules" width={years.at(years.to) + 1} height={height} aria-hidden="true">
      <RuleLines years={years} today={today} height={height} />
    </svg>
  );
}

export function RuleLines({ years, today, height }: { years: Ruler; today: string; height: number }): JSX.Element {
  const now = years.at(yearOf(today));
  return (
    <g>
      {graduations(years.from, years.to, 1).map((year) => (
        <path key={year} d={`M${years.at(year) + 0.5} 0V${height}`} stroke="var(--rule)" stroke-width="1" opacity=".6" />
      ))}
      <path d={`M${now} 0V${height}`} stroke="var(--ink)" stroke-width="1.4" stroke-dasharray="1.4 2" />
    </g>
  );
}
