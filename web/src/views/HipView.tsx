/** One hip's line of life: what is known, what is planned, what to do next. */

import type { JSX } from "preact";
import { ask, at } from "../api/client";
import type { FilmCard, HipPage, ScanCard } from "../api/schema";
import type { Action } from "../model/actions";
import { dateWords, levelWords, sideWords } from "../model/format";
import { nextPath } from "../model/next";
import { pathOfRoute } from "../model/routes";
import { CautionList } from "../parts/Cautions";
import { NextBox } from "../parts/NextBox";
import { Num } from "../parts/Num";
import { Press } from "../parts/Press";
import { go, Link } from "../parts/router";
import { say } from "../parts/keys";
import { plateOf, Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";
import { useLoad, useLow } from "../parts/hooks";
import { FactRecord } from "./FactRecord";
import { filmOpen, filmSide } from "./FilmTile";
import { LifeChart } from "./LifeChart";
import { printSheet } from "./printing";

/** The nameplate of a hip's page. */

export function HipView({ hip }: { hip: string }): JSX.Element {
  const { data, error, put, again } = useLoad<HipPage>(at("/api/hips", hip));
  if (error && !data) {
    return (
      <Shell title="Hip" back="/">
        <Stopped error={error} again={again} />
      </Shell>
    );
  }
  if (!data) return <Shell title="Hip" children={null} />;
  return <Life page={data} put={put} />;
}

function Life({ page, put }: { page: HipPage; put: (page: HipPage) => void }): JSX.Element {
  const low = useLow();
  const doNext = (): void => {
    if (page.next.page === "facts") document.querySelector<HTMLElement>(".record input, .record select, .record button")?.focus();
    else go(nextPath(page.hip_id, page.next));
  };
  const actions: Action[] = [{ id: "hip.next", title: page.next.title, keys: ["r"], violet: true, foot: page.next.button ? page.next.button.toLowerCase() : "next", closed: page.next.button === "" ? "There is nothing to do for this hip now." : null, run: doNext }];
  if (page.other_hip_id) {
    const other = page.other_hip_id;
    actions.push({ id: "hip.other", title: "Go to the other hip", keys: ["o"], foot: "other hip", run: () => go(`/hip/${encodeURIComponent(other)}`) });
  }
  if (page.films.length > 1) actions.push({ id: "hip.films", title: "Two films side by side", keys: ["f"], run: () => go(`/hip/${encodeURIComponent(page.hip_id)}/films`) });
  return (
    <Shell title={sideWords(page.side)} hip={plateOf(page)} actions={actions} back="/" scrolls mainClass="life">
      <div class="fill">
        <div class="top">
          <h1>{page.finding}</h1>
          <NextBox next={page.next} onPress={doNext} hint="R" />
        </div>
        <div class="upper">
          <LifeChart page={page} low={low} />
          {page.key_numbers.length > 0 && (
            <aside class="keynumbers" aria-label="Key numbers">
              {page.key_numbers.slice(0, low ? 4 : 6).map((n) => (
                <p key={n.key}>
                  <span class="k">{n.label}</span>
                  <Num n={n} size={low ? "row" : "mid"} />
                </p>
              ))}
            </aside>
          )}
        </div>
        <div class="lower">
          <FactRecord page={page} put={put} />
          <div class="side">
            <section>
              <h2>Cautions</h2>
              {page.cautions.length === 0 ? <p class="k">None from what is recorded so far.</p> : <CautionList cautions={page.cautions} levels />}
            </section>
            {page.scans && page.scans.length > 0 && <Scans page={page} put={put} />}
            <Films page={page} put={put} />
            <Plans page={page} />
          </div>
        </div>
      </div>
    </Shell>
  );
}

const SCAN_STATE: Readonly<Record<ScanCard["state"], string>> = { not_read: "bone not found yet", reading: "the bone is being found", read: "read", stopped: "stopped" };

function Scans({ page, put }: { page: HipPage; put: (page: HipPage) => void }): JSX.Element {
  const refused = (error: unknown): void => say((error as Error).message);
  const use = (scan: ScanCard): void => {
    ask("POST", at("/api/hips", page.hip_id, {}, `/scans/${encodeURIComponent(scan.scan_id)}/use`), { used: !scan.used_here })
      .then(() => ask<HipPage>("GET", at("/api/hips", page.hip_id)))
      .then(put, refused);
  };
  const path = (scan: ScanCard): string => pathOfRoute({ page: "scan", hip: page.hip_id, scan: scan.scan_id });
  const find = (scan: ScanCard): void => {
    ask("POST", at("/api/scans", scan.scan_id, { hip: page.hip_id }, "/read"), { seed: null }).then(() => go(path(scan)), refused);
  };
  return (
    <section>
      <h2>Scans</h2>
      <ul class="filmlist scanlist">
        {page.scans?.map((scan) => (
          <li key={scan.scan_id} class={scan.used_here ? "" : "out"}>
            <Link to={path(scan)}>{scan.words}</Link>
            <span title={scan.says}>
              {scan.side === null ? "side not named" : `${scan.side} hip`}
              {scan.age_days !== null && ` · ${scan.age_days} days old`}
            </span>
            <em class={scan.state === "stopped" ? "side_wrong" : scan.state === "not_read" ? "side_open" : ""}>{scan.used_here ? SCAN_STATE[scan.state] : "not used for this hip"}</em>
            <div>
              {scan.state === "not_read" && scan.used_here && scan.modality === "CT" && (
                <Press size="sm" kind="plain" onPress={() => find(scan)}>
                  Find the bone
                </Press>
              )}
              <Press size="sm" kind="plain" onPress={() => go(path(scan))}>
                Open
              </Press>
              <Press size="sm" kind="plain" onPress={() => use(scan)}>
                {scan.used_here ? "Take out" : "Put in"}
              </Press>
            </div>
          </li>
        ))}
      </ul>
    </section>
  );
}

function Films({ page, put }: { page: HipPage; put: (page: HipPage) => void }): JSX.Element {
  const use = (film: FilmCard): void => {
    ask<HipPage>("POST", at("/api/hips", page.hip_id, {}, `/films/${encodeURIComponent(film.film_id)}/use`), { used: !film.used_here }).then(put, (error: unknown) => say((error as Error).message));
  };
  return (
    <section>
      <h2>
        Films{" "}
        {page.films.length > 1 && (
          <Link class="k" to={`/hip/${encodeURIComponent(page.hip_id)}/films`}>
            two side by side
          </Link>
        )}
      </h2>
      {page.films.length === 0 && <p class="k">None yet. Drop images on the patients page.</p>}
      <ul class="filmlist">
        {page.films.map((film) => (
          <li key={film.film_id} class={film.used_here ? "" : "out"}>
            <Link to={`/hip/${encodeURIComponent(page.hip_id)}/film/${encodeURIComponent(film.film_id)}`}>{film.words}</Link>
            <span>
              {filmSide(film)}
              {film.age_days !== null && ` · ${film.age_days} days old`}
            </span>
            <em class={film.state}>{film.used_here ? filmOpen(film) || "read" : "not used for this hip"}</em>
            <Press size="sm" kind="plain" onPress={() => use(film)}>
              {film.used_here ? "Take out" : "Put in"}
            </Press>
          </li>
        ))}
      </ul>
    </section>
  );
}

function Plans({ page }: { page: HipPage }): JSX.Element | null {
  if (page.plans.length === 0) return null;
  return (
    <section>
      <h2>Signed plans</h2>
      <ul class="planlist">
        {page.plans.map((plan) => (
          <li key={plan.plan_id} class={plan.superseded ? "out" : ""}>
            <p>
              <b>
                {levelWords[plan.level]}, version {plan.version}
              </b>
              {plan.superseded && " superseded"}
              <span>
                {plan.words} · {plan.signed_by}, {dateWords(plan.signed_at)}
              </span>
            </p>
            <Press size="sm" kind="plain" onPress={() => void printSheet({ plan: plan.plan_id })}>
              Sheet
            </Press>
          </li>
        ))}
      </ul>
    </section>
  );
}
