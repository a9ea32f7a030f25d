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

export function Lines({ appraisal }: { appraisal: Appraisal }): JSX.Element {
  const large = largeLines(appraisal.lines);
  const rest = appraisal.lines.filter((line) => !large.includes(line));
  return (
    <div class="pl-lines">
      {rest.map((line, i) => (
        <div key={line.number.key} class={i > 0 && rest[i - 1]?.group !== line.group ? "row first" : "row"}>
          <span class="k" title={line.detail ?? ""}>
            {line.number.label}
          </span>
          <span>{line.text !== null ? <b class="words">{line.text}</b> : <Num n={line.number} limit={line.limit} />}</span>
          <LimitSign n={line.number} limit={line.limit} />
        </div>
      ))}
    </div>
  );
}
