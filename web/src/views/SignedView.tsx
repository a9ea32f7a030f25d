/** The plan is signed: what was signed, its hash, and the sheet for the operating room. */

import type { JSX } from "preact";
import { useState } from "preact/hooks";
import type { Action } from "../model/actions";
import { clockWords, dateWords, levelWords } from "../model/format";
import { levelAndFamily } from "../model/signing";
import { StopSign } from "../parts/LimitSign";
import { NeckPicture } from "../parts/NeckPicture";
import { ActionPress, Press } from "../parts/Press";
import { go } from "../parts/router";
import { plateOf, Shell } from "../parts/Shell";
import { PaperChoice } from "./PaperChoice";
import { printSheet } from "./printing";
import { SidesTable } from "./SidesTable";
import { signTitle, type SignProps } from "./SignatureView";

export function SignedView({ life, page, again }: SignProps & { again: () => void }): JSX.Element | null {
  const [refused, refuse] = useState<string | null>(null);
  const plan = page.plan;
  if (!plan) return null;
  const print: Action = { id: "sign.print", title: "Print the sheet", keys: ["s"], violet: true, foot: "print the sheet", run: () => void printSheet({ plan: plan.plan_id }).then(refuse) };
  const place = `/hip/${encodeURIComponent(page.hip_id)}/placement`;
  return (
    <Shell title={signTitle(life)} hip={plateOf(life)} here="signature" state={{ title: "Signed", detail: `${plan.signed_by}, ${dateWords(plan.signed_at)}` }} actions={[print]} back={`/hip/${encodeURIComponent(page.hip_id)}`} scrolls mainClass="sign signed">
      <section>
        <h1>
          {levelWords[plan.level]}, signed for the {life.side} hip.
        </h1>
        <p class="says">{levelAndFamily(levelWords[plan.level], plan.words.replace(`${levelWords[plan.level]}, `, ""))}</p>
        <dl class="facts">
          <dt>operation</dt>
          <dd>{dateWords(plan.operation_date) || "no day given"}</dd>
          <dt>signed</dt>
          <dd>
            {plan.signed_by}, {dateWords(plan.signed_at)}, {clockWords(plan.signed_at)}
          </dd>
          <dt>version</dt>
          <dd>{plan.version}</dd>
          <dt>hash</dt>
          <dd class="hash">{plan.hash.replace(/(.{4})(?=.)/g, "$1 ")}</dd>
        </dl>
        <p class="two">
          <ActionPress action={print} size="lg" hint={false} />
          <PaperChoice />
        </p>
        {refused && (
          <p class="stop" role="alert">
            <StopSign />
            <span>{refused}</span>
          </p>
        )}
        <p class="says rest">
          A signed plan is never edited. To change it, move the placement and sign a new version; this one stays in the record as superseded.
        </p>
        <p class="two quiet">
          <Press size="sm" onPress={() => go(place)}>
            Change the placement
          </Press>
          <Press size="sm" kind="plain" onPress={again}>
            Sign a new version
          </Press>
        </p>
      </section>
      <section>
        <SidesTable sides={page.sides} />
        {page.appraisal && <NeckPicture appraisal={page.appraisal} side={life.side} height={360} />}
      </section>
    </Shell>
  );
}
