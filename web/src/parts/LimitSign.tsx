/** Post and bead: post = limit, bead = value, bar = interval. The word always follows. */

import type { JSX } from "preact";
import type { LimitMark, Measure } from "../api/schema";
import { signPlan } from "../geometry/sign";
import { stateWords } from "../model/limits";

const WIDTH = 34;
const HEIGHT = 14;
const MIDDLE = HEIGHT / 2;

interface SignProps {
  n: Measure | null;
  limit: LimitMark | null;
  /** The picture alone: the word stands elsewhere on the same line. */
  silent?: boolean;
}

export function LimitSign({ n, limit, silent = false }: SignProps): JSX.Element {
  const state = limit?.state ?? "none";
  if (!limit || state === "none") return <span class="lim none">{silent ? "" : stateWords.none}</span>;
  const known = state !== "not_known";
  const interval = n && n.low !== null && n.high !== null ? ([n.low, n.high] as const) : null;
  const plan = signPlan(known ? (n?.value ?? null) : null, interval, limit, WIDTH);
  return (
    <span class={`lim ${state}`} title={limit.words}>
      <svg width={WIDTH} height={HEIGHT} viewBox={`0 0 ${WIDTH} ${HEIGHT}`} aria-hidden="true">
        <path d={`M1 ${MIDDLE}H${WIDTH - 1}`} stroke="currentColor" stroke-width="1" opacity={known ? 0.55 : 1} stroke-dasharray={known ? undefined : "2 3"} />
        {plan.posts.map((x) => (
          <path key={x} d={`M${x} 1V${HEIGHT - 1}`} stroke="currentColor" stroke-width="2" />
        ))}
        {plan.bar && <path d={`M${plan.bar[0]} ${MIDDLE}H${plan.bar[1]}`} stroke="currentColor" stroke-width="2.4" />}
        {plan.bead !== null && <Bead x={plan.bead} state={state} />}
      </svg>
      {!silent && stateWords[state]}
    </span>
  );
}

function Bead({ x, state }: { x: number; state: string }): JSX.Element {
  if (state === "outside") {
    return <path d={`M${x} ${MIDDLE - 5.2}L${x + 5} ${MIDDLE}L${x} ${MIDDLE + 5.2}L${x - 5} ${MIDDLE}Z`} fill="currentColor" />;
  }
  if (state === "near") return <circle cx={x} cy={MIDDLE} r="3.6" fill="var(--sheet)" stroke="currentColor" stroke-width="2" />;
  return <circle cx={x} cy={MIDDLE} r="3.4" fill="currentColor" />;
}

/** The sign of a refusal, before its words. */
export function StopSign(): JSX.Element {
  return (
    <svg width={WIDTH} height={HEIGHT} viewBox={`0 0 ${WIDTH} ${HEIGHT}`} aria-hidden="true">
      <path d="M1 7H33" stroke="currentColor" opacity=".55" />
      <path d="M22 1V13" stroke="currentColor" stroke-width="2" />
      <path d="M25 7H33" stroke="currentColor" stroke-width="2.4" />
      <path d="M29 1.8L34 7L29 12.2L24 7Z" fill="currentColor" />
    </svg>
  );
}
