/** A number: value, unit, 95 % interval. It opens its why. */

import { useRef } from "preact/hooks";
import type { JSX } from "preact";
import type { LimitMark, Measure } from "../api/schema";
import { briefReason, intervalWords, spoken, unitWords, valueWords } from "../model/format";
import { useStore } from "./hooks";
import { openWhy, whyOpen } from "./why";

interface NumProps {
  n: Measure;
  limit?: LimitMark | null;
  size?: "row" | "mid" | "big";
  /** The unit is in the row's or column's heading. */
  hideUnit?: boolean;
  /** On a picture an angle reads 3.0°, in a table 3.0 deg. */
  on?: "table" | "picture";
  /** No room for a sentence: the reason's first words, at most so many letters; the why slip has the whole. */
  brief?: number | undefined;
}

export function Num({ n, limit = null, size = "row", hideUnit = false, on = "table", brief }: NumProps): JSX.Element {
  const self = useRef<HTMLButtonElement>(null);
  const open = useStore(whyOpen);
  const value = valueWords(n);
  const name = ["n", size === "row" ? "" : size, value === null ? "none" : "", open?.n === n ? "open" : ""].filter(Boolean).join(" ");
  return (
    <button
      ref={self}
      type="button"
      class={name}
      data-number={n.key}
      aria-label={`${spoken(n)}. Why?`}
      aria-expanded={open?.n === n}
      onClick={() => self.current && openWhy(n, limit, self.current)}
    >
      {value === null ? (
        <>
          {/* In a row the reason alone says it; there is no room for both. */}
          {(size !== "row" || !n.reason) && <b>no value</b>}
          {n.reason && <i title={brief ? n.reason : undefined}>{brief ? briefReason(n.reason, brief) : n.reason}</i>}
        </>
      ) : (
        <>
          <b>{value}</b>
          {!hideUnit && n.unit !== "" && <u>{unitWords(n.unit, on)}</u>}
          <i>{intervalWords(n)}</i>
        </>
      )}
      {/* What the interval does not hold: the sign here, the words beside the number or in its slip. */}
      {n.note !== null && (
        <sup class="noted" title={n.note}>
          †
        </sup>
      )}
    </button>
  );
}
