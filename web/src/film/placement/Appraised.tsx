/** What a placement leads to: length and offset large, then every line with its limit. */

import type { JSX } from "preact";
import { useState } from "preact/hooks";
import type { Appraisal, Line, PlacementPage, TargetIn } from "../../api/schema";
import { digits, plainZero } from "../../model/format";
import { useLow, useSize } from "../../parts/hooks";
import { LimitSign } from "../../parts/LimitSign";
import { Num } from "../../parts/Num";
import { largeLines, split } from "../model/lines";
import { typedNumber } from "../scale/ScaleSources";

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
            <Num n={line.number} limit={line.limit} size="big" brief={appraisal.space ? 60 : undefined} />
            <LimitSign n={line.number} limit={line.limit} />
            {line.detail && <span class="k">{plainZero(line.detail)}</span>}
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

/** Letters of a label that fit one line. */
const LONG = 25;
const ROW_PX = { tall: 27, low: 24 };
const MORE_PX = 31;

export function Lines({ appraisal }: { appraisal: Appraisal }): JSX.Element {
  const [see, { height }] = useSize<HTMLDivElement>();
  const [open, setOpen] = useState(false);
  const row = useLow() ? ROW_PX.low : ROW_PX.tall;
  // As many rows as stand whole; the rest is one press below, never cut.
  const { first, more } = split(appraisal.lines, height === 0 ? undefined : Math.max(3, Math.floor((height - MORE_PX) / row)));
  const unfold = (press: HTMLElement): void => {
    setOpen(!open);
    if (!open) requestAnimationFrame(() => press.scrollIntoView({ block: "start" }));
  };
  return (
    <div class="pl-lines" ref={see}>
      {first.map((line) => (
        <Row key={line.number.key} line={line} />
      ))}
      {more.length > 0 && (
        <button type="button" class="pl-more" aria-expanded={open} onClick={(event) => unfold(event.currentTarget)}>
          {open ? "fewer numbers" : `${more.length} more numbers`}
        </button>
      )}
      {open && more.map((line, i) => <Row key={line.number.key} line={line} head={line.group !== more[i - 1]?.group} />)}
    </div>
  );
}

function Row({ line, head = false }: { line: Line; head?: boolean }): JSX.Element {
  return (
    <>
      {head && <h3>{line.group}</h3>}
      <div class="row">
        <span class={line.number.label.length > LONG ? "k long" : "k"} title={[line.number.label, line.detail && plainZero(line.detail)].filter(Boolean).join(": ")}>
          {line.number.label}
        </span>
        <span>{line.text !== null ? <b class="words">{line.text}</b> : <Num n={line.number} limit={line.limit} brief={22} />}</span>
        <LimitSign n={line.number} limit={line.limit} />
      </div>
    </>
  );
}
