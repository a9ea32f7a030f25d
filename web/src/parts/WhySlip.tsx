/** The slip behind a number: one sentence, then where it comes from, then its limit. */

import type { JSX } from "preact";
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import type { LimitMark, Measure } from "../api/schema";
import { intervalWords, unitWords, valueWords } from "../model/format";
import { limitStatus } from "../model/limits";
import { useActions, useStore } from "./hooks";
import { closeWhy, pinWhy, unpinWhy, whyOpen, whyPinned, type OpenWhy } from "./why";

interface SlipProps {
  n: Measure;
  limit?: LimitMark | null;
  /** "still" lies in a panel of the page, without a shadow. */
  still?: boolean;
}

/** The words of a slip, wherever it lies. */
export function WhyWords({ n, limit = null }: SlipProps): JSX.Element {
  const value = valueWords(n);
  return (
    <>
      <h3>
        {n.why.title || n.label}
        {value !== null && !n.why.title.includes(value) && ` ${value} ${unitWords(n.unit)}`}
      </h3>
      <p class="f">{n.why.sentence}</p>
      <dl>
        {value !== null && intervalWords(n) !== "" && (
          <>
            <dt>{n.low === null ? "kind" : "95 %"}</dt>
            <dd>{intervalWords(n)}</dd>
          </>
        )}
        {value === null && n.reason && (
          <>
            <dt>missing</dt>
            <dd>{n.reason}</dd>
          </>
        )}
        {n.note !== null && (
          <>
            <dt>†</dt>
            <dd>{n.note}</dd>
          </>
        )}
        {n.why.rows.filter((row) => !saysTheSame(row.text, n.why.sentence)).map((row) => (
          <>
            <dt>{row.name}</dt>
            <dd>{row.text}</dd>
          </>
        ))}
        {limit && limit.status !== "unset" && (
          <>
            <dt>limit</dt>
            <dd>
              {limit.words}; {limitStatus(limit)}
            </dd>
          </>
        )}
      </dl>
    </>
  );
}

/** A row that only repeats the sentence above it. */
const saysTheSame = (row: string, sentence: string): boolean => row.replace(/\.$/, "").toLowerCase() === sentence.replace(/\.$/, "").toLowerCase();

export function WhySlip({ n, limit = null, still = false }: SlipProps): JSX.Element {
  return (
    <aside class={still ? "why still" : "why"} aria-label={`Why ${n.label}`}>
      <WhyWords n={n} limit={limit} />
    </aside>
  );
}

/** Draws the open slip beside its number, and the pinned ones. One a page; the shell has it. */
export function WhyHost(): JSX.Element {
  const open = useStore(whyOpen);
  const pinned = useStore(whyPinned);
  return (
    <>
      {pinned.length > 0 && (
        <div class="pinned">
          {pinned.map(({ n, limit }) => (
            <aside class="why" key={n.key} aria-label={`Why ${n.label}, pinned`}>
              <div class="act">
                <button type="button" onClick={() => unpinWhy(n.key)}>
                  Take down
                </button>
              </div>
              <WhyWords n={n} limit={limit} />
            </aside>
          ))}
        </div>
      )}
      {open && <Floating key={open.n.key} open={open} />}
    </>
  );
}

const GAP = 8;

function Floating({ open }: { open: OpenWhy }): JSX.Element {
  const self = useRef<HTMLElement>(null);
  const [at, put] = useState<{ left: number; top: number } | null>(null);
  useActions("why slip", [
    { id: "why.close", title: "Close the why slip", keys: ["Escape"], run: closeWhy, whileTyping: true },
    { id: "why.pin", title: "Pin the why slip", keys: ["p"], run: pinWhy },
  ]);
  useLayoutEffect(() => {
    const box = self.current?.getBoundingClientRect();
    if (!box) return;
    const { from } = open;
    const below = from.bottom + GAP + box.height <= window.innerHeight - GAP;
    const top = below ? from.bottom + GAP : Math.max(GAP, from.top - GAP - box.height);
    const left = Math.max(GAP, Math.min(from.left, window.innerWidth - box.width - GAP));
    put({ left, top });
  }, [open]);
  useLayoutEffect(() => {
    const away = (event: PointerEvent): void => {
      const target = event.target as Node;
      if (!self.current?.contains(target) && !open.back.contains(target)) whyOpen.set(null);
    };
    window.addEventListener("pointerdown", away);
    return () => window.removeEventListener("pointerdown", away);
  }, [open]);
  return (
    <aside
      ref={self}
      class="why floats"
      role="dialog"
      aria-label={`Why ${open.n.label}`}
      style={at ? { left: `${at.left}px`, top: `${at.top}px` } : { left: "0", top: "0", visibility: "hidden" }}
    >
      <div class="act">
        <button type="button" onClick={pinWhy}>
          Pin
        </button>
        <button type="button" onClick={closeWhy}>
          Close
        </button>
      </div>
      <WhyWords n={open.n} limit={open.limit} />
    </aside>
  );
}
