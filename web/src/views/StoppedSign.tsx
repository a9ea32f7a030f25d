/** A guard stops the signature: what was found, why it stops us, what to press. */

import type { JSX } from "preact";
import { ask, at } from "../api/client";
import type { Check, SignaturePage } from "../api/schema";
import type { Action } from "../model/actions";
import { sideWords, viewWords } from "../model/format";
import { nextPath } from "../model/next";
import { findingOf, isSide, stoppedBy, stopWords } from "../model/signing";
import { say } from "../parts/keys";
import { StopSign } from "../parts/LimitSign";
import { ActionPress, Press } from "../parts/Press";
import { go } from "../parts/router";
import { plateOf, Shell } from "../parts/Shell";
import { SidesTable } from "./SidesTable";
import { signTitle, type SignProps } from "./SignatureView";
import { printSheet } from "./printing";

const PAGES = ["film", "reading", "scan", "stock", "facts", "comparison", "placement", "signature", "sheet", "life"] as const;

function pathOfCheck(hip: string, check: Check): string {
  const page = PAGES.find((name) => name === check.page) ?? "life";
  return nextPath(hip, { page, film_id: check.film_id, scan_id: check.scan_id });
}

export function StoppedSign({ life, page, put }: SignProps): JSX.Element | null {
  const [first, ...more] = stoppedBy(page.checks);
  if (!first) return null;
  const hip = page.hip_id;
  const { finding, rest } = findingOf(first);
  const film = life.films.find((one) => one.film_id === first.film_id) ?? null;
  const wrong = page.sides.find((evidence) => evidence.agrees === false);
  const takeOut = (): void => {
    if (!film) return;
    ask("POST", at("/api/hips", hip, {}, `/films/${encodeURIComponent(film.film_id)}/use`), { used: false })
      .then(() => ask<SignaturePage>("GET", at("/api/hips", hip, {}, "/signature")))
      .then(put, (error: unknown) => say((error as Error).message));
  };
  const go1: Action = {
    id: "sign.look",
    title: first.button ?? "Go and see",
    keys: [],
    violet: true,
    foot: (first.button ?? "go and see").replace(/^./, (letter) => letter.toLowerCase()),
    run: () => go(pathOfCheck(hip, first)),
  };
  const closed = isSide(first) ? "until the side agrees" : "until this is settled";
  return (
    <Shell title={signTitle(life)} hip={plateOf(life)} here="signature" state={{ title: "Nothing is signed", detail: "nothing was changed", kind: "stopped" }} actions={[go1]} back={`/hip/${encodeURIComponent(hip)}/placement`} scrolls mainClass={film ? "sign stopped withfilm" : "sign stopped"}>
      <section>
        <p class="stop">
          <StopSign />
          {stopWords(first)}
        </p>
        <h1>{finding}</h1>
        <p class="says">{rest}</p>
        {isSide(first) && page.sides.length > 0 && <SidesTable sides={page.sides} />}
        <p class="two">
          <ActionPress action={go1} hint={false} />
          {film && isSide(first) && <Press onPress={takeOut}>Take the {film.view ? viewWords[film.view] : "film"} out of this hip</Press>}
          <Press closed={`Sign: closed ${closed}`} onPress={() => undefined}>
            Sign
          </Press>
          {!isSide(first) && page.appraisal && <Press onPress={() => void printSheet({ hip })}>Print a draft</Press>}
        </p>
        {more.length > 0 && (
          <ul class="more">
            {more.map((check) => (
              <li key={check.guard + check.title}>
                <b>{check.title}</b> <span>{check.says}</span>
                {check.button && (
                  <Press size="sm" kind="plain" onPress={() => go(pathOfCheck(hip, check))}>
                    {check.button}
                  </Press>
                )}
              </li>
            ))}
          </ul>
        )}
      </section>
      {film && (
        <figure>
          <div class="lat">
            <img src={at("/api/films", film.film_id, {}, "/thumb.png")} alt={film.words} />
            {wrong && isSide(first) && <span>{`says ${wrong.says === "left" ? "Left" : "Right"}`}</span>}
          </div>
          <figcaption>
            {film.words}. {film.view === "lateral_hip" ? "A lateral film alone does not show which side it is." : `This plan is for the ${sideWords(life.side).toLowerCase()}.`}
          </figcaption>
        </figure>
      )}
    </Shell>
  );
}
