/** Reserve of length: a rule with the surgeon's bead at the plan and ends that name what stops there. */

import type { JSX } from "preact";
import type { Reserve } from "../../api/schema";
import { graduations, ruler } from "../../geometry/ruler";
import { digits, intervalWords, spoken } from "../../model/format";
import { useSize } from "../../parts/hooks";
import { endWordsY, wrapped } from "../model/words";

const TOP = 18;
const BOTTOM = 18;
/** The rule stands here; numbers left of it, ends right of it. */
const RULE_X = 46;
const LEAST_SPAN_MM = 6;
/** Width of a letter at 12.5 px, on average. */
const LETTER_PX = 6.5;

export function ReserveRule({ reserve, moving }: { reserve: Reserve | null; moving: boolean }): JSX.Element {
  const [see, size] = useSize<HTMLDivElement>();
  const span = spanMm(reserve);
  const length = Math.max(0, size.height - TOP - BOTTOM);
  const rule = ruler(span, -span, TOP, TOP + length);
  const words = [reserve?.longer, reserve?.shorter].map((end) => (end ? `${spoken(end.number)}: ${end.binds}` : "")).filter(Boolean).join(". ");
  return (
    <div class="pl-reserve">
      <h2>Reserve of length</h2>
      <p class="faint">mm of leg, from here</p>
      <div class={moving ? "pl-rule old" : "pl-rule"} ref={see}>
        {size.height > 80 && (
          <svg width={size.width} height={size.height} role="img" aria-label={`Reserve of length. ${words}`}>
            <path d={`M${RULE_X} ${TOP}V${TOP + length}`} stroke="var(--rule-strong)" stroke-width="2" />
            {graduations(-span, span, 1).map((at) => {
              const y = rule.at(at);
              const even = at % 2 === 0;
              return (
                <g key={at}>
                  <path d={`M${RULE_X - (even ? 10 : 5)} ${y}H${RULE_X}`} stroke="var(--ink-2)" stroke-width="1.2" />
                  {even && (
                    <text x={RULE_X - 15} y={y + 4.5} font-size="13" font-weight={at === 0 ? 700 : 560} fill={at === 0 ? "var(--ink)" : "var(--ink-2)"} text-anchor="end">
                      {digits(at, 0, true)}
                    </text>
                  )}
                </g>
              );
            })}
            {reserve && <Ends reserve={reserve} letters={Math.max(8, Math.floor((size.width - RULE_X - 44) / LETTER_PX))} bottom={size.height} at={(value) => rule.at(Math.max(-span, Math.min(span, value)))} />}
            <path d={`M${RULE_X} ${rule.at(0)}h40`} stroke="var(--mark)" stroke-width="2.5" />
            <circle cx={RULE_X + 15} cy={rule.at(0)} r="8" fill="var(--desk)" stroke="var(--mark)" stroke-width="3" />
            <text x={RULE_X + 46} y={rule.at(0) + 5} font-size="14" font-weight="680" fill="var(--mark)">
              planned
            </text>
          </svg>
        )}
      </div>
      <p class="says">{moving ? "The ends are worked out again when you let go." : (reserve?.says ?? "No reserve is known at this level.")}</p>
    </div>
  );
}

function Ends({ reserve, letters, bottom, at }: { reserve: Reserve; letters: number; bottom: number; at: (value: number) => number }): JSX.Element {
  const ends = [reserve.longer, reserve.shorter].filter((end) => end !== null);
  const values = ends.map((end) => end.number.value ?? 0);
  const high = at(Math.max(0, ...values));
  const low = at(Math.min(0, ...values));
  return (
    <g class="pl-ends">
      <rect x={RULE_X + 6} y={high} width="18" height={Math.max(0, low - high)} fill="var(--ink-2)" opacity=".28" />
      {ends.map((end) => {
        const { number } = end;
        if (number.value === null) return null;
        const y = at(number.value);
        const up = number.value >= 0;
        const lines = wrapped(end.binds, letters);
        const wordsY = endWordsY(y, up, at(0), lines.length, bottom);
        return (
          <g key={number.key}>
            {number.low !== null && number.high !== null && (
              <path d={`M${RULE_X + 15} ${at(number.low)}V${at(number.high)}`} stroke="var(--ink)" stroke-width="1.6" />
            )}
            <path d={`M${RULE_X} ${y}h34`} stroke="var(--ink)" stroke-width="2.5" />
            <text x={RULE_X + 42} y={wordsY - 2} font-size="15" font-weight="680" fill="var(--ink)">
              {digits(number.value, number.decimals, true)}
            </text>
            <text x={RULE_X + 42} y={wordsY + 13} font-size="12" fill="var(--ink-3)">
              {intervalWords(number)}
            </text>
            {lines.map((line, i) => (
              <text key={line} x={RULE_X + 42} y={wordsY + 30 + i * 15} font-size="12.5" fill="var(--ink-2)">
                {line}
              </text>
            ))}
          </g>
        );
      })}
    </g>
  );
}

/** How far the rule reaches each way: the ends with their intervals, an even number of mm. */
export function spanMm(reserve: Reserve | null): number {
  const reach = [reserve?.longer, reserve?.shorter].flatMap((end) =>
    end ? [end.number.value, end.number.low, end.number.high].map((value) => Math.abs(value ?? 0)) : [],
  );
  const most = Math.max(LEAST_SPAN_MM, ...reach);
  return Math.ceil((most + 0.5) / 2) * 2;
}
