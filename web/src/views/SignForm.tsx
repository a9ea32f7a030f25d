/** Sign: reasons for every limit not met, the day, the fall-back, the side typed by hand, a name. */

import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { ask, at, Stopped } from "../api/client";
import type { Appraisal, Level, SignaturePage, SignIn } from "../api/schema";
import type { Action } from "../model/actions";
import { typedDate } from "../model/dates";
import { dateWords, levelWords, sideWords } from "../model/format";
import { levelAndFamily, missingToSign } from "../model/signing";
import { about, readerName, setReader } from "../parts/desk";
import { useKept, useLow, useStore } from "../parts/hooks";
import { say } from "../parts/keys";
import { LimitSign, StopSign } from "../parts/LimitSign";
import { NeckPicture } from "../parts/NeckPicture";
import { Num } from "../parts/Num";
import { ActionPress, Press } from "../parts/Press";
import { plateOf, Shell } from "../parts/Shell";
import { PaperChoice } from "./PaperChoice";
import { printSheet } from "./printing";
import { SidesTable } from "./SidesTable";
import { signTitle, type SignProps } from "./SignatureView";

export function SignForm({ life, page, put }: SignProps): JSX.Element {
  const reader = readerName(useStore(about));
  // Kept over a reload, all but the side: that is typed anew by whoever signs.
  const kept = `headstock.sign.${page.hip_id}.`;
  const [day, setDay] = useKept(`${kept}day`, dateWords(page.plan?.operation_date));
  const [side, setSide] = useState("");
  const [signer, setSigner] = useState<string | null>(null);
  const [note, setNote] = useKept(`${kept}note`, "");
  const [reasons, setReasons] = useKept<Record<string, string>>(`${kept}reasons`, {});
  const [fallBack, setFallBack] = useKept<Level | null>(`${kept}fallback`, null);
  const low = useLow();
  const [busy, setBusy] = useState(false);
  const [refused, refuse] = useState<string | null>(null);
  const typed = { on: typedDate(day).date, side, signer: signer ?? reader, reasons };
  const dayWrong = typedDate(day).wrong;
  const closed = busy ? "Signing …" : missingToSign(page, typed);

  const sign = async (): Promise<void> => {
    if (typed.on === null) return;
    const body: SignIn = { signer: typed.signer.trim(), side_typed: side.trim(), operation_date: typed.on, reasons, fall_back: fallBack, note: note.trim(), seen: page.seen };
    setBusy(true);
    refuse(null);
    try {
      put(await ask<SignaturePage>("POST", at("/api/hips", page.hip_id, {}, "/sign"), body));
      // Who signs also reads here, unless someone said otherwise.
      if (reader === "") void setReader(body.signer).catch(() => undefined);
      say("Signed. The plan is kept and cannot be edited, only superseded.");
    } catch (error) {
      refuse((error as Error).message);
      // Something changed under the page: what stands before the signature is loaded again, the words stay.
      if (error instanceof Stopped && error.status === 409) {
        void ask<SignaturePage>("GET", at("/api/hips", page.hip_id, {}, "/signature")).then(put, () => undefined);
      }
    } finally {
      setBusy(false);
    }
  };
  const action: Action = { id: "sign.sign", title: `Sign for the ${life.side} hip`, keys: [], violet: true, foot: "sign", closed, run: () => void sign() };
  const draft: Action = { id: "sign.draft", title: "Print a draft", keys: ["d"], foot: "draft", run: () => void printSheet({ hip: page.hip_id }).then(refuse) };
  const appraisal = page.appraisal;

  return (
    <Shell title={signTitle(life)} hip={plateOf(life)} here="signature" actions={[action, draft]} back={`/hip/${encodeURIComponent(page.hip_id)}/placement`} scrolls mainClass="sign ready">
      <section>
        <h1>{appraisal ? `${levelAndFamily(levelWords[appraisal.placement.level], appraisal.family_words)}.` : "There is no placement yet."}</h1>
        <p class="says">
          {page.checks.length} checks passed: {page.checks.map((check) => lower(check.title)).join("; ")}.
        </p>
        <SidesTable sides={page.sides} />
        {appraisal && (
          <div class="whatsigned">
            <NeckPicture appraisal={appraisal} side={life.side} height={low ? 200 : 300} />
            <Lines appraisal={appraisal} />
          </div>
        )}
      </section>
      <form
        onSubmit={(event) => {
          event.preventDefault();
          if (!closed) void sign();
        }}
      >
        {page.overrides.length > 0 && (
          <fieldset>
            <legend>Limits not met, and why you plan so</legend>
            {page.overrides.map((wanted) => (
              <label key={wanted.key} class="reason">
                <span>{wanted.words}</span>
                <span class="field">
                  <input value={reasons[wanted.key] ?? ""} placeholder="Your reason" onInput={(event) => setReasons({ ...reasons, [wanted.key]: event.currentTarget.value })} />
                </span>
              </label>
            ))}
          </fieldset>
        )}
        <div class="row">
          <label>
            <span>Day of the operation</span>
            <span class="field">
              <input value={day} placeholder="10 Dec 2026" onInput={(event) => setDay(event.currentTarget.value)} onBlur={() => typed.on && setDay(dateWords(typed.on))} />
            </span>
            {dayWrong && <small class="wrong">{dayWrong}</small>}
          </label>
          <label>
            <span>If it does not hold, go to</span>
            <span class="field">
              <select value={fallBack ?? ""} onChange={(event) => setFallBack((event.currentTarget.value || null) as Level | null)}>
                <option value="">no fall-back named</option>
                {page.fall_back.map((level) => (
                  <option key={level} value={level}>
                    {levelWords[level]}
                  </option>
                ))}
              </select>
            </span>
          </label>
        </div>
        <label>
          <span>Note for the sheet</span>
          <span class="field">
            <input value={note} placeholder="optional" onInput={(event) => setNote(event.currentTarget.value)} />
          </span>
        </label>
        <div class="row">
          <label>
            <span>The side, typed by hand</span>
            <span class="field big">
              <input value={side} placeholder="left or right" autocomplete="off" spellcheck={false} onInput={(event) => setSide(event.currentTarget.value)} aria-label={`Type the side of this plan; the plan is for the ${sideWords(life.side).toLowerCase()}`} />
            </span>
          </label>
          <label>
            <span>Signed by</span>
            <span class="field big">
              <input value={typed.signer} placeholder="your name" onInput={(event) => setSigner(event.currentTarget.value)} />
            </span>
          </label>
        </div>
        {refused && (
          <p class="stop" role="alert">
            <StopSign />
            <span>{refused}</span>
          </p>
        )}
        <p class="two">
          <ActionPress action={action} size="lg" hint={false} />
        </p>
        <p class="two quiet">
          <Press size="sm" onPress={draft.run}>
            Print a draft
          </Press>
          <PaperChoice />
          <span class="k">DRAFT stands across every unsigned page.</span>
        </p>
      </form>
    </Shell>
  );
}

function Lines({ appraisal }: { appraisal: Appraisal }): JSX.Element {
  const [all, showAll] = useState(false);
  const held = appraisal.lines.filter((line) => line.limit && line.limit.status !== "unset");
  return (
    <div class="lines">
      {(all ? appraisal.lines : held).map((line) => (
        <p key={line.number.key}>
          <span class="k">{line.number.label}</span>
          {line.text !== null ? <b>{line.text}</b> : <Num n={line.number} limit={line.limit} />}
          {line.limit && line.limit.state !== "none" ? <LimitSign n={line.number} limit={line.limit} /> : <span />}
        </p>
      ))}
      <Press size="sm" kind="plain" onPress={() => showAll(!all)} expanded={all}>
        {all ? "Only those with a limit" : `All ${appraisal.lines.length} numbers`}
      </Press>
    </div>
  );
}

const lower = (words: string): string => words.replace(/^./, (letter) => letter.toLowerCase()).replace(/\.$/, "");
