/** Beside the planes: the finding, what stands in the way, the scan's measures, its calibration, scan beside film. */

import type { ComponentChildren, JSX } from "preact";
import { useState } from "preact/hooks";
import { at } from "../../api/client";
import type { AgreementPage, CalibrationIn, Finding, Measure, ScanPage, Side as SideName } from "../../api/schema";
import { typedNumber } from "../../model/facts";
import { dateWords } from "../../model/format";
import { useLoad } from "../../parts/hooks";
import { Num } from "../../parts/Num";
import { Press } from "../../parts/Press";
import { rodDensities } from "../model/rods";
import type { ScanWork } from "./useScan";

const WEIGHT: Readonly<Record<Finding["weight"], string>> = { refuse: "Stops planning", warn: "Take care", note: "Noted" };
const ORDER: readonly Finding["weight"][] = ["refuse", "warn", "note"];

/** What was found in the scan: what stops planning first. A note is quiet. */
export function Findings({ findings }: { findings: readonly Finding[] }): JSX.Element | null {
  if (findings.length === 0) return null;
  return (
    <ul class="sc-findings" aria-label="Found in the scan">
      {ORDER.flatMap((weight) => findings.filter((finding) => finding.weight === weight)).map((finding) => (
        <li key={`${finding.code} ${finding.says}`} class={finding.weight} role={finding.weight === "refuse" ? "alert" : undefined}>
          <b>{WEIGHT[finding.weight]}</b> {finding.says}
        </li>
      ))}
    </ul>
  );
}

export function SideAsk({ page, onSeen }: { page: ScanPage; onSeen: (side: SideName) => void }): JSX.Element | null {
  if (page.side_confirmed) return null;
  return (
    <section class="sc-side" aria-label="Side of the scan">
      <h2>Which hip does the scan show?</h2>
      <p class="k">{page.side_says}</p>
      <div class="two">
        {(["right", "left"] as const).map((side) => (
          <Press key={side} size="sm" onPress={() => onSeen(side)}>
            {side === "right" ? "Right hip" : "Left hip"}
          </Press>
        ))}
      </div>
    </section>
  );
}

export function Measures({ page, renewing }: { page: ScanPage; renewing: boolean }): JSX.Element | null {
  if (page.numbers.length === 0 && page.lesions.length === 0) return null;
  const kinds = { dead: "dead bone", cyst: "cyst", drawn: "drawn by hand" } as const;
  return (
    <section class={renewing ? "sc-measures old" : "sc-measures"} aria-label="Measures of the scan">
      <h2>
        Measured on the scan
        {renewing && (
          <span class="sc-renew" role="status">
            measures are being renewed
          </span>
        )}
      </h2>
      {page.lesions.map((lesion) => (
        <Row key={lesion.number} label={page.lesions.length > 1 ? `${kinds[lesion.kind]} ${lesion.number}` : kinds[lesion.kind]} n={lesion.volume} />
      ))}
      {page.lesions.length === 0 && page.segmentation.state === "found" && (
        <p class="row">
          <span class="k">dead bone</span>
          <span class="k">none found</span>
        </p>
      )}
      {page.numbers.map((n) => (
        <Row key={n.key} label={n.label} n={n} />
      ))}
    </section>
  );
}

/** A measure; below it, in words, what its interval does not hold. */
function Row({ label, n }: { label: string; n: Measure }): JSX.Element {
  return (
    <>
      <p class="row">
        <span class="k">{label}</span>
        <Num n={n} brief={30} />
      </p>
      {n.note !== null && <p class="sc-note">† {n.note}</p>}
    </>
  );
}

export function Calibration({ page, calibrate }: { page: ScanPage; calibrate: ScanWork["calibrate"] }): JSX.Element | null {
  const { calibration } = page;
  const [open, setOpen] = useState<"typed" | "rods" | null>(null);
  if (page.card.modality === "MR") return null;
  const send = (body: CalibrationIn): void => void calibrate(body).then((taken) => taken && setOpen(null));
  return (
    <section class="sc-calibration" aria-label="Density calibration">
      <h2>
        Density <span class={calibration.state === "none" ? "sc-uncal" : "k"}>{calibration.state === "none" ? "uncalibrated" : calibration.state === "rods" ? "from rods in the scan" : "typed calibration"}</span>
      </h2>
      <p class="k">{calibration.words}</p>
      {calibration.slope && (
        <p class="row">
          <span class="k">{calibration.slope.label}</span>
          <Num n={calibration.slope} />
        </p>
      )}
      {calibration.offset && (
        <p class="row">
          <span class="k">{calibration.offset.label}</span>
          <Num n={calibration.offset} />
        </p>
      )}
      {open === "typed" ? (
        <CalibrationForm send={send} close={() => setOpen(null)} />
      ) : open === "rods" ? (
        <RodsForm send={send} close={() => setOpen(null)} />
      ) : (
        <div class="two">
          <Press size="sm" kind="plain" expanded={false} onPress={() => setOpen("typed")}>
            Type a calibration
          </Press>
          {calibration.state !== "rods" && (
            <Press size="sm" kind="plain" expanded={false} onPress={() => setOpen("rods")}>
              Look for rods
            </Press>
          )}
          {calibration.state !== "none" && (
            <Press size="sm" kind="plain" onPress={() => send({ kind: "none", source: "" })}>
              Take it out
            </Press>
          )}
        </div>
      )}
    </section>
  );
}

/** Rods of known density under the patient: their densities are the maker's. */
function RodsForm({ send, close }: { send: (body: CalibrationIn) => void; close: () => void }): JSX.Element {
  const [typed, set] = useState("");
  const rods = rodDensities(typed);
  const lacks = rods === null ? "Type numbers" : rods.length < 2 ? "Type two densities or more" : null;
  const use = (): void => {
    if (!lacks) send({ kind: "rods", rods_g_cm3: rods, source: "" });
  };
  return (
    <form class="sc-form" onSubmit={(event) => (event.preventDefault(), use())}>
      <p class="k">Densities of the rods as their maker states them; the rods are found in the scan.</p>
      <label>
        <span>densities</span>
        <span class="field">
          <input inputMode="text" aria-label="Densities of the rods, g/cm³, with spaces between" value={typed} placeholder="0 0.05 0.1 0.2" onInput={(event) => set(event.currentTarget.value)} />
          <u>g/cm³</u>
        </span>
      </label>
      <div class="two">
        <Press size="sm" closed={lacks} onPress={use}>
          Find the rods
        </Press>
        <Press size="sm" kind="plain" onPress={close}>
          Leave it
        </Press>
      </div>
    </form>
  );
}

function CalibrationForm({ send, close }: { send: (body: CalibrationIn) => void; close: () => void }): JSX.Element {
  const [typed, set] = useState({ slope: "", offset: "0", sd: "", source: "" });
  const [slope, offset, sd] = [typedNumber(typed.slope).value, typedNumber(typed.offset).value, typedNumber(typed.sd).value];
  const lacks = slope === null ? "Type the slope" : offset === null ? "Type the offset" : sd === null ? "Type the sd of the slope" : typed.source.trim() === "" ? "Say where it comes from" : null;
  const field = (name: keyof typeof typed, words: string, unit: string, said: string): JSX.Element => (
    <label>
      <span>{words}</span>
      <span class="field">
        <input inputMode={name === "source" ? "text" : "decimal"} aria-label={said} value={typed[name]} onInput={(event) => set({ ...typed, [name]: event.currentTarget.value })} />
        {unit && <u>{unit}</u>}
      </span>
    </label>
  );
  return (
    <form
      class="sc-form"
      onSubmit={(event) => {
        event.preventDefault();
        if (!lacks) send({ kind: "typed", slope, offset, slope_sd_percent: sd, source: typed.source.trim() });
      }}
    >
      <p class="k">Density = slope × HU + offset, as the calibration of this scanner says.</p>
      {field("slope", "slope", "g/cm³ per HU", "Slope, g/cm³ per HU")}
      {field("offset", "offset", "g/cm³", "Offset, g/cm³")}
      {field("sd", "sd of the slope", "%", "Standard deviation of the slope, percent")}
      {field("source", "from", "", "Where the calibration comes from")}
      <div class="two">
        <Press size="sm" closed={lacks} onPress={() => send({ kind: "typed", slope, offset, slope_sd_percent: sd, source: typed.source.trim() })}>
          Use it
        </Press>
        <Press size="sm" kind="plain" onPress={close}>
          Leave it
        </Press>
      </div>
    </form>
  );
}

/** Scan and film of one hip side by side: a difference is explained or it stands. */
export function Agreement({ hip, version }: { hip: string; version: string }): JSX.Element | null {
  const { data, error } = useLoad<AgreementPage>(at("/api/hips", hip, { v: version }, "/agreement"));
  if (!data && !error) return null;
  return (
    <section class="sc-agree" aria-label="Scan beside film">
      <h2>Scan beside film</h2>
      {error && <p class="k">{error.message}</p>}
      {data && data.says && <p class="k">{data.says}</p>}
      {data && data.rows.length > 0 && (
        <table>
          <thead>
            <tr>
              <th />
              <th>scan</th>
              <th>film</th>
              <th>film − scan</th>
            </tr>
          </thead>
          <tbody>
            {data.rows.map((row) => (
              <tr key={row.key}>
                <th scope="row">
                  {row.label}
                  {row.says && <small>{row.says}</small>}
                </th>
                <td>{row.scan ? <Num n={row.scan} hideUnit brief={12} /> : "–"}</td>
                <td>{row.film ? <Num n={row.film} hideUnit brief={12} /> : "–"}</td>
                <td>
                  {row.difference ? <Num n={row.difference} brief={12} /> : "–"}
                  {row.explained && (
                    <small>
                      explained <Num n={row.explained} hideUnit brief={12} />
                    </small>
                  )}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
    </section>
  );
}

export function Header({ page }: { page: ScanPage }): JSX.Element {
  return (
    <section class="fp-header" aria-label="About the scan">
      <h2>
        {page.card.modality} of {dateWords(page.card.taken) || "unknown date"}
      </h2>
      <dl>
        {page.header.map((row) => (
          <div key={row.name}>
            <dt>{row.name}</dt>
            <dd>{row.text}</dd>
          </div>
        ))}
      </dl>
    </section>
  );
}

/** Words with something to press at the bottom: the next thing to do, violet. */
export function Next({ title, detail, children }: { title: string; detail: ComponentChildren; children: ComponentChildren }): JSX.Element {
  return (
    <div class="rd-next">
      <div>
        <b>{title}</b>
        {detail && <span>{detail}</span>}
      </div>
      {children}
    </div>
  );
}
