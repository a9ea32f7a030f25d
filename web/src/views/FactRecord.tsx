/** The record that decisions need: each fact with its value, date and source. Saved as it is typed; undone with U. */

import type { JSX } from "preact";
import { useRef, useState } from "preact/hooks";
import type { FactField, FactIn, HipPage } from "../api/schema";
import { at } from "../api/client";
import { changedFact, factOf, factText, sameFact, typedNumber, withFact, type FactStep } from "../model/facts";
import { dateWords } from "../model/format";
import { typedDate } from "../model/dates";
import { begun, redone, stepped, undone, type History } from "../model/history";
import { saves } from "../parts/desk";
import { useActions } from "../parts/hooks";
import { say } from "../parts/keys";

interface RecordProps {
  page: HipPage;
  put: (page: HipPage) => void;
}

export function FactRecord({ page, put }: RecordProps): JSX.Element {
  const history = useRef<History<FactStep | null>>(begun(null));
  const [asked, ask] = useState<FactField | null>(null);

  const send = (key: string, label: string, fact: FactIn): void => {
    put({ ...page, facts: page.facts.map((field) => (field.key === key ? withFact(field, fact) : field)) });
    saves
      .save<HipPage>({ key: `fact ${page.hip_id} ${key}`, what: label, method: "PUT", path: at("/api/hips", page.hip_id, {}, `/facts/${encodeURIComponent(key)}`), body: fact })
      .then(put, () => undefined); // A refusal stands in the nameplate in the server's words.
  };
  const change = (field: FactField, part: Partial<FactIn>): void => {
    const [before, after] = [factOf(field), changedFact(field, part, page.today)];
    if (sameFact(before, after)) return;
    history.current = stepped(history.current, { key: field.key, label: field.label, before, after });
    send(field.key, field.label, after);
  };
  const undo = (): void => {
    const step = history.current.now;
    if (!step) return say("Nothing more to undo on this page.");
    history.current = undone(history.current);
    send(step.key, step.label, step.before);
    say(`Undone: ${step.label}.`);
  };
  const redo = (): void => {
    const next = redone(history.current);
    if (next === history.current || !next.now) return say("Nothing to do again.");
    history.current = next;
    send(next.now.key, next.now.label, next.now.after);
    say(`Done again: ${next.now.label}.`);
  };
  useActions("Record", [
    { id: "record.undo", title: "Undo the last change of the record", keys: ["u"], foot: "undo", run: undo },
    { id: "record.redo", title: "Do it again", keys: ["Shift+u"], run: redo },
  ]);

  return (
    <section class="record" aria-label="Record">
      <header>
        <h2>Record</h2>
        <p class="k">{asked ? `${asked.label}: ${asked.says}${asked.per_patient ? " Holds for both hips." : ""}` : "Each with its date and where it comes from. Nothing here is compulsory."}</p>
      </header>
      <ul>
        {page.facts.map((field) => (
          <li key={field.key} onFocusIn={() => ask(field)} onFocusOut={() => ask(null)}>
            <FactRow field={field} change={(part) => change(field, part)} />
          </li>
        ))}
      </ul>
    </section>
  );
}

function FactRow({ field, change }: { field: FactField; change: (part: Partial<FactIn>) => void }): JSX.Element {
  const known = field.value !== null && field.value !== "";
  return (
    <>
      <span class="label" id={`fact-${field.key}`}>
        {field.label}
      </span>
      <ValueField field={field} change={change} />
      {known ? (
        <>
          <Text
            class="when"
            label={`${field.label}: date`}
            value={dateWords(field.on)}
            placeholder="date"
            keep={(text) => {
              const typed = typedDate(text);
              if (typed.wrong) say(`${field.label}: ${typed.wrong}`);
              else change({ on: typed.date });
              return typed.wrong === null;
            }}
          />
          <Text class="from" label={`${field.label}: source`} value={field.source ?? ""} placeholder="who or what says so" keep={(source) => change({ source })} />
        </>
      ) : (
        <span class="open">not known</span>
      )}
    </>
  );
}

function ValueField({ field, change }: { field: FactField; change: (part: Partial<FactIn>) => void }): JSX.Element {
  const label = { "aria-labelledby": `fact-${field.key}` };
  switch (field.form) {
    case "yes_no":
      return (
        <span class="yesno" role="radiogroup" {...label}>
          {([true, false] as const).map((value) => (
            <button
              key={String(value)}
              type="button"
              role="radio"
              aria-checked={field.value === value}
              class={field.value === value ? "on" : ""}
              onClick={() => change({ value: field.value === value ? null : value })}
            >
              {value ? "yes" : "no"}
            </button>
          ))}
        </span>
      );
    case "choice":
      return (
        <span class="field plainer">
          <select {...label} value={factText(field)} onChange={(event) => change({ value: event.currentTarget.value || null })}>
            <option value="">–</option>
            {(field.choices ?? []).map((choice) => (
              <option key={choice} value={choice}>
                {choice}
              </option>
            ))}
          </select>
        </span>
      );
    case "number":
      return (
        <span class="field plainer number">
          <Text
            label={field.label}
            value={factText(field)}
            placeholder="–"
            numeric
            keep={(text) => {
              const typed = typedNumber(text);
              if (typed.wrong) say(`${field.label}: ${typed.wrong}. The value before is kept.`);
              else change({ value: typed.value });
              return typed.wrong === null;
            }}
          />
          {field.unit && <u>{field.unit}</u>}
        </span>
      );
    case "text":
      return (
        <span class="field plainer">
          <Text label={field.label} value={factText(field)} placeholder="–" keep={(text) => change({ value: text.trim() || null })} />
        </span>
      );
  }
}

interface TextProps {
  label: string;
  value: string;
  placeholder: string;
  class?: string;
  numeric?: boolean;
  /** Kept on leaving the field and on Enter; `false` puts the old value back. */
  keep: (text: string) => boolean | void;
}

function Text({ label, value, placeholder, numeric = false, keep, ...rest }: TextProps): JSX.Element {
  return (
    <input
      {...rest}
      type="text"
      inputMode={numeric ? "decimal" : "text"}
      aria-label={label}
      value={value}
      placeholder={placeholder}
      autocomplete="off"
      onBlur={(event) => {
        if (event.currentTarget.value !== value && keep(event.currentTarget.value) === false) event.currentTarget.value = value;
      }}
      onKeyDown={(event) => {
        if (event.key === "Enter") event.currentTarget.blur();
        if (event.key === "Escape") {
          event.stopPropagation();
          event.preventDefault();
          event.currentTarget.value = value;
          event.currentTarget.blur();
        }
      }}
    />
  );
}
