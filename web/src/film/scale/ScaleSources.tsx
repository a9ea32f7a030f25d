/** All sources of scale side by side; each with the one thing it still needs. */

import type { ComponentChildren, JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import type { ScaleChoice } from "../../api/schema";
import { digits } from "../../model/format";
import { say } from "../../parts/keys";
import { Num } from "../../parts/Num";
import { Press } from "../../parts/Press";
import { largerWords } from "./ScaleStrip";
import { type ScaleKind, scaleIn, type ScaleWork, toWire } from "./useScale";

/** Source, its button while it has no value, its key. */
export const SOURCES: readonly { kind: ScaleKind; title: string; button: string; key: string | null }[] = [
  { kind: "ball", title: "Marker ball on the film", button: "Find the ball", key: "b" },
  { kind: "ruler", title: "Ruler on the film", button: "Mark the ruler", key: "r" },
  { kind: "calibrated_header", title: "Header, calibrated", button: "Use it", key: null },
  { kind: "detector_and_distance", title: "Header, detector and distances", button: "Give distances", key: "d" },
  { kind: "typed_magnification", title: "Typed magnification", button: "Type it", key: "t" },
  { kind: "none", title: "None", button: "Go on without", key: "n" },
];

/** What a reader should know before choosing a source. */
const SAYS: Readonly<Record<ScaleKind, string>> = {
  ball: "Click it once, type its size.",
  ruler: "Click two of its marks, type the length between.",
  calibrated_header: "",
  detector_and_distance: "Its spacing holds at the detector; the hip needs the distances.",
  typed_magnification: "How much larger the film shows the hip; a wide interval.",
  none: "Angles and ratios only; no lengths, nothing to sign.",
};

export function ScaleSources({ work, violet }: { work: ScaleWork; violet: ScaleKind | null }): JSX.Element {
  const { scale } = work.film;
  const [all, showAll] = useState(false);
  const inUse = scale.settled && scale.choices.some((choice) => choice.in_use);
  // With a scale in use only what has a value stands here: the rest is one press below.
  const stays = (kind: ScaleKind): boolean => {
    const choice = scale.choices.find((other) => other.kind === kind);
    return !inUse || all || choice?.in_use === true || choice?.scale != null || work.at === kind || work.refused?.body.kind === kind;
  };
  const list = useRef<HTMLOListElement>(null);
  // What is being worked on, or was refused, is never below the edge.
  useEffect(() => list.current?.querySelector("li.open, li:has(.fp-refused)")?.scrollIntoView({ block: "nearest" }), [work.at, work.refused, work.ball]);
  const shown = SOURCES.filter((source) => stays(source.kind));
  const rest = SOURCES.length - shown.length;
  return (
    <>
      <ol class="fp-sources" ref={list}>
        {shown.map((source) => {
          const choice = scale.choices.find((other) => other.kind === source.kind);
          const open = work.at === source.kind;
          return (
            <li key={source.kind} class={[choice?.in_use ? "on" : "", open ? "open" : ""].filter(Boolean).join(" ")}>
              <div>
                <b>{source.title}</b>
                <Said source={source.kind} choice={choice ?? null} settled={scale.settled} />
              </div>
              {!open && <Offer work={work} source={source} choice={choice ?? null} violet={violet === source.kind} />}
              {open && <Form work={work} kind={source.kind} />}
              {work.refused && work.refused.body.kind === source.kind && (
                <div class="fp-refused" role="alert">
                  <span>{work.refused.says}</span>
                  {work.refused.canInsist && (
                    <Press size="sm" onPress={() => work.refused && work.use({ ...work.refused.body, settle: true })}>
                      I have checked it: use it
                    </Press>
                  )}
                </div>
              )}
            </li>
          );
        })}
      </ol>
      {inUse && (rest > 0 || all) && (
        <p class="fp-others">
          <Press size="sm" kind="plain" onPress={() => showAll(!all)}>
            {all ? "Fewer sources of scale" : `${rest} other ways to give a scale`}
          </Press>
        </p>
      )}
    </>
  );
}

function Said({ source, choice, settled }: { source: ScaleKind; choice: ScaleChoice | null; settled: boolean }): JSX.Element {
  if (choice?.scale) {
    return (
      <span>
        {/* The whole of where it comes from is behind the number. */}
        <Num n={choice.scale} />
        <em>
          {[largerWords(choice), choice.scale.why.rows.find((row) => row.name === "from" && row.text.length < 40)?.text].filter(Boolean).join(", ")}
          {choice.apart_percent !== null && !choice.in_use && <i class={settled ? "" : "warn"}>{`, ${apartWords(choice.apart_percent, settled)}`}</i>}
        </em>
      </span>
    );
  }
  // "No ball is marked" says less than what to do about it.
  return <span>{source === "calibrated_header" || choice?.in_use ? (choice?.refused ?? SAYS[source]) : SAYS[source] || choice?.refused || choice?.needs}</span>;
}

/** A length measured with this source would come out larger or smaller by so much than with the chosen one. */
export const apartWords = (percent: number, settled: boolean): string =>
  `${digits(Math.abs(percent), 1)} % ${percent < 0 ? "below" : "above"} the ${settled ? "one in use" : "last one given"}`;

function Offer({ work, source, choice, violet }: { work: ScaleWork; source: (typeof SOURCES)[number]; choice: ScaleChoice | null; violet: boolean }): JSX.Element {
  if (choice?.in_use) return <span class="fp-inuse">in use</span>;
  const kind = source.kind;
  if (choice?.scale) {
    const settle = !work.film.scale.settled || work.film.scale.in_use !== null;
    return (
      <Press kind={violet ? "do" : "rest"} size="sm" onPress={() => work.use(scaleIn(kind, { settle }))}>
        Use this one
      </Press>
    );
  }
  if (kind === "calibrated_header") return <span class="faint">not given</span>;
  if (kind === "none") {
    return (
      <Press kind={violet ? "do" : "rest"} size="sm" hint="N" onPress={() => work.use(scaleIn("none"))}>
        {source.button}
      </Press>
    );
  }
  return (
    <Press kind={violet ? "do" : "rest"} size="sm" hint={source.key?.toUpperCase()} onPress={() => work.begin(kind)}>
      {source.button}
    </Press>
  );
}

/** Text of a number as typed, or null while it is none. */
export function typedNumber(text: string): number | null {
  const clean = text.trim().replace(",", ".").replace("−", "-");
  if (clean === "") return null;
  const value = Number(clean);
  return Number.isFinite(value) ? value : null;
}

function Form({ work, kind }: { work: ScaleWork; kind: ScaleKind }): JSX.Element {
  const [first, setFirst] = useState("");
  const [second, setSecond] = useState("");
  const a = typedNumber(first);
  const b = typedNumber(second);
  const form = (reason: string | null, send: () => void, fields: ComponentChildren): JSX.Element => (
    <form
      class="fp-form"
      onSubmit={(event) => event.preventDefault()}
      onKeyDown={(event) => {
        // A browser submits a form of two fields only through a button of its own.
        if (event.key !== "Enter" || !(event.target instanceof HTMLInputElement)) return;
        event.preventDefault();
        if (reason) say(`${reason}.`);
        else send();
      }}
    >
      {fields}
      <span class="fp-form-end">
        <Press kind="do" size="sm" closed={reason} onPress={() => { if (!reason) send(); }}>
          Use it
        </Press>
        <Press kind="plain" size="sm" onPress={work.leave}>
          Leave it
        </Press>
      </span>
    </form>
  );
  switch (kind) {
    case "ball": {
      const { ball } = work;
      const reason = !ball ? "Click the ball on the film" : a === null || a <= 0 ? "Type its diameter" : null;
      return form(
        reason,
        () => ball && a !== null && work.use(scaleIn("ball", { circle: [ball.circle[0], ball.circle[1], ball.circle[2]], circle_sd_px: ball.sd_px, diameter_mm: a })),
        <>
          <p>{work.busy ? "Looking for its edge." : ball ? (ball.found ? ball.says : `${ball.says} ${digits(2 * ball.circle[2], 1)} px across.`) : "One rough click on the ball is enough."}</p>
          <Field label="diameter of the ball" unit="mm" value={first} onTyped={setFirst} focus={ball !== null} />
        </>,
      );
    }
    case "ruler": {
      const [p, q] = work.ruler;
      const reason = !p || !q ? "Click both ends on the film" : a === null || a <= 0 ? "Type the length" : null;
      return form(
        reason,
        () => p && q && a !== null && work.use(scaleIn("ruler", { ruler: [toWire(p), toWire(q)], ruler_mm: a })),
        <>
          <p>{p && q ? "Drag an end to correct it; zoom in for the exact graduation." : "Click one graduation, then another far from it."}</p>
          <Field label="length between the ends" unit="mm" value={first} onTyped={setFirst} focus={Boolean(p && q)} />
        </>,
      );
    }
    case "detector_and_distance":
      return form(
        a === null || b === null ? "Type both distances" : b <= 0 || b >= a ? "The hip lies between tube and detector" : null,
        () => work.use(scaleIn(kind, { source_detector_mm: a, object_detector_mm: b })),
        <>
          <Field label="tube to detector" unit="mm" value={first} onTyped={setFirst} focus />
          <Field label="hip to detector" unit="mm" value={second} onTyped={setSecond} />
        </>,
      );
    case "typed_magnification":
      return form(
        a === null ? "Type how much larger" : null,
        () => a !== null && work.use(scaleIn(kind, { magnification: 1 + a / 100 })),
        <Field label="the film shows the hip" unit="% larger" value={first} onTyped={setFirst} focus />,
      );
    default:
      return form(null, () => work.use(scaleIn(kind)), null);
  }
}

interface FieldProps {
  label: string;
  unit: string;
  value: string;
  onTyped: (text: string) => void;
  focus?: boolean;
}

export function Field({ label, unit, value, onTyped, focus = false }: FieldProps): JSX.Element {
  const input = useRef<HTMLInputElement>(null);
  useEffect(() => {
    if (focus) input.current?.focus({ preventScroll: true });
  }, [focus]);
  return (
    <label class="fp-field">
      <span>{label}</span>
      <span class="field">
        <input ref={input} inputMode="decimal" value={value} onInput={(event) => onTyped(event.currentTarget.value)} />
        <u>{unit}</u>
      </span>
    </label>
  );
}
