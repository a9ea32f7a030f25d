/** What a placement leads to: length and offset large, then every line with its limit. */

import type { JSX } from "preact";
import type { Appraisal, Line, PlacementPage, TargetIn } from "../../api/schema";
import { digits } from "../../model/format";
import { LimitSign } from "../../parts/LimitSign";
import { Num } from "../../parts/Num";
import { typedNumber } from "../scale/ScaleSources";

/** The two that are shown large: what remains between the sides. */
const LARGE = ["leg_length_remaining_mm", "offset_remaining_mm"] as const;

export function largeLines(lines: readonly Line[]): readonly Line[] {
  return LARGE.flatMap((key) => lines.find((line) => line.number.key === key) ?? []);
}

export function Large({ appraisal, page, onAim }: { appraisal: Appraisal; page: PlacementPage; onAim: (target: TargetIn) => void }): JSX.Element | null {
  const large = largeLines(appraisal.lines);
  if (large.length === 0) return null;
  const aims: Readonly<Record<string, { value: number; set: (value: number) => void }>> = {
    leg_length_remaining_mm: { value: page.target_leg_mm, set: (leg_mm) => onAim({ leg_mm, offset_mm: page.target_offset_mm }) },
    offset_remaining_mm: { value: page.target_offset_mm, set: (offset_mm) => onAim({ leg_mm: page.target_leg_mm, offset_mm }) },
  };
  return (
    <div class="pl-large">
      {large.map((line) => {
        const aim = aims[line.number.key];
        return (
          <div key={line.number.key}>
            <span class="k">{line.number.label}</span>
            <Num n={line.number} limit={line.limit} size="big" />
            <LimitSign n={line.number} limit={line.limit} />
            {line.detail && <span class="k">{line.detail}</span>}
            {aim && (
              <label class="pl-aim">
                aimed at
                <input
                  inputMode="decimal"
                  aria-label={`${line.number.label}: difference between the sides aimed at, mm`}
                  value={digits(aim.value, 1, true)}
                  onChange={(event) => {
                    const typed = typedNumber(event.currentTarget.value.replace("+", ""));
                    if (typed !== null) aim.set(typed);
                    event.currentTarget.value = digits(typed ?? aim.value, 1, true);
                  }}
                />
                mm
              </label>
            )}
          </div>
        );
      })}
    </div>
  );
}

/** Shown first whether a limit is set or not: what a cut level is chosen for. The rest lies one press below. */
const FIRST = new Set([
  "seat_on_sound_bone_percent",
  "lesion_left_percent",
  "least_wall_mm",
  "notch_distance_mm",
  "valgus_to_neck_deg",
  "anterior_to_neck_deg",
  "head_neck_ratio",
  "head_kept_percent",
  "cup_cover_percent",
  "flexion_deg",
  "internal_at_90_flexion_deg",
]);

/** Lines shown at once and lines one press below. A number outside its limit is never one press below. */
export function split(lines: readonly Line[]): { first: readonly Line[]; more: readonly Line[] } {
  const large = largeLines(lines);
  const rest = lines.filter((line) => !large.includes(line) && line.number.key !== "reserve_mm");
  const isFirst = (line: Line): boolean => FIRST.has(line.number.key) || line.limit?.state === "outside";
  return { first: rest.filter(isFirst), more: rest.filter((line) => !isFirst(line)) };
}

export function Lines({ appraisal }: { appraisal: Appraisal }): JSX.Element {
  const { first, more } = split(appraisal.lines);
  return (
    <div class="pl-lines">
      {first.map((line) => (
        <Row key={line.number.key} line={line} />
      ))}
      {more.length > 0 && (
        <details>
          <summary>{more.length} more numbers</summary>
          {more.map((line, i) => (
            <Row key={line.number.key} line={line} first={line.group !== more[i - 1]?.group} />
          ))}
        </details>
      )}
    </div>
  );
}

function Row({ line, first = false }: { line: Line; first?: boolean }): JSX.Element {
  return (
    <div class={first ? "row first" : "row"}>
      <span class="k" title={[line.number.label, line.detail].filter(Boolean).join(": ")}>
        {line.number.label}
      </span>
      <span>{line.text !== null ? <b class="words">{line.text}</b> : <Num n={line.number} limit={line.limit} />}</span>
      <LimitSign n={line.number} limit={line.limit} />
    </div>
  );
}
