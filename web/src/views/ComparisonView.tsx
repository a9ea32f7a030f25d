/** The best placement at each cut level, side by side. The surgeon chooses; nothing is ranked. */

import type { JSX } from "preact";
import { useRef, useState } from "preact/hooks";
import { at } from "../api/client";
import type { Appraisal, Comparison, HipPage, Level, Line } from "../api/schema";
import type { Action } from "../model/actions";
import { cautionTopic, foldRows, inOrder, LEVELS, tableRows } from "../model/comparison";
import { levelWords, plainZero } from "../model/format";
import { nextElsewhere } from "../model/next";
import { countWords } from "../model/limits";
import { begun, redone, stepped, undone, type History } from "../model/history";
import { findingOf } from "../model/signing";
import { CautionList } from "../parts/Cautions";
import { saves } from "../parts/desk";
import { Legend, rolesOf } from "../parts/Drawing";
import { useKept, useLoad, useLow, useMoreBelow, useSize } from "../parts/hooks";
import { say } from "../parts/keys";
import { LimitSign } from "../parts/LimitSign";
import { LimitTable } from "../parts/LimitTable";
import { Num } from "../parts/Num";
import { Panel } from "../parts/Panel";
import { ActionPress, Press } from "../parts/Press";
import { go } from "../parts/router";
import { plateOf, Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";
import { Staircase } from "./Staircase";

export function ComparisonView({ hip }: { hip: string }): JSX.Element {
  const life = useLoad<HipPage>(at("/api/hips", hip));
  const comparison = useLoad<Comparison>(at("/api/hips", hip, {}, "/comparison"));
  const plate = life.data ? plateOf(life.data) : null;
  const back = `/hip/${encodeURIComponent(hip)}`;
  const error = comparison.error ?? life.error;
  if (error && !comparison.data) {
    return (
      <Shell title="Comparison" hip={plate} here="comparison" back={back}>
        <Stopped error={error} again={comparison.again} next={nextElsewhere(hip, life.data?.next, "comparison")} />
      </Shell>
    );
  }
  if (!comparison.data || !life.data) {
    return (
      <Shell title="Comparison" hip={plate} here="comparison" back={back}>
        <p class="says wait">Finding the best placement at each cut level …</p>
      </Shell>
    );
  }
  return <Compared life={life.data} comparison={comparison.data} put={comparison.put} />;
}

interface ComparedProps {
  life: HipPage;
  comparison: Comparison;
  put: (comparison: Comparison) => void;
}

function Compared({ life, comparison, put }: ComparedProps): JSX.Element {
  const [panel, setPanel] = useState<"limits" | "cautions" | null>(null);
  const [see, { width, height }] = useSize<HTMLDivElement>();
  const [seeHeads, heads] = useSize<HTMLTableSectionElement>();
  const margin = width < 1300 ? 322 : 330;
  const low = useLow();
  const [all, showAll] = useState(false);
  const scanned = comparison.levels.some((level) => level.space !== null);
  const [inSpace, setInSpace] = useKept<boolean>("comparison space", false);
  const space = scanned && inSpace;
  const more = useMoreBelow();
  const hip = comparison.hip_id;
  const levels = inOrder(comparison.levels);
  const whole = tableRows(comparison);
  // The table takes what the pictures leave; what does not fit is folded and said, never cut.
  const room = Math.floor((height - (low ? PICTURES_PX.low : PICTURES_PX.tall) - Math.max(heads.height, HEADS_PX) - GROUP_LINES) / ROW_PX);
  const { shown: rows, folded } = all || height === 0 ? { shown: whole, folded: 0 } : foldRows(whole, room);
  const chosen = levels.findIndex((level) => level.placement.level === comparison.chosen);

  const choices = useRef<History<Level | null>>(begun(comparison.chosen));
  const choose = (level: Level): void => {
    if (level === comparison.chosen) return;
    if (levels.some((one) => one.placement.level === level)) choices.current = stepped(choices.current, level);
    send(level);
  };
  /** A level chosen by key takes the focus to what Enter does next: it may have stood on a number, whose Enter is its why. */
  const chooseByKey = (level: Level): void => {
    choose(level);
    requestAnimationFrame(() => document.querySelector<HTMLElement>(".cmp .ask .btn.do")?.focus({ preventScroll: true }));
  };
  const move = (to: History<Level | null>, nothing: string): void => {
    if (to === choices.current || to.now === null) return say(nothing);
    choices.current = to;
    send(to.now);
    say(`Chosen again: ${levelWords[to.now].toLowerCase()}.`);
  };
  const send = (level: Level): void => {
    if (!levels.some((one) => one.placement.level === level)) return say(`${levelWords[level]}: no placement was found for this hip.`);
    put({ ...comparison, chosen: level });
    saves
      .save<Comparison>({ key: `chosen ${hip}`, what: "cut level", method: "PUT", path: at("/api/hips", hip, {}, "/chosen"), body: { level } })
      .then(put, () => undefined);
  };
  const place: Action = {
    id: "comparison.place",
    title: comparison.chosen ? `Place ${levelWords[comparison.chosen].toLowerCase()}` : "Place it",
    keys: [],
    violet: true,
    foot: "place it",
    closed: comparison.chosen ? null : "Choose a level: 1–4",
    run: () => go(`/hip/${encodeURIComponent(hip)}/placement`),
  };
  const limits: Action = { id: "comparison.limits", title: "Limits and sources", keys: ["l"], foot: "limits", run: () => setPanel("limits") };
  const cautions: Action = { id: "comparison.cautions", title: "Cautions and their sources", keys: ["c"], closed: comparison.cautions.length > 0 ? null : "There is no caution from what is recorded.", run: () => setPanel("cautions") };
  const view: Action = { id: "comparison.space", title: space ? "Sections along the neck" : "Pictures in space", keys: ["v"], foot: space ? "sections" : "in space", run: () => setInSpace(!space) };
  const actions: Action[] = [
    ...LEVELS.map((level, i): Action => ({ id: `comparison.choose.${level}`, title: `Choose ${levelWords[level].toLowerCase()}`, keys: [String(i + 1)], ...(i === 0 ? { foot: "choose a level", written: "1–4" } : {}), run: () => chooseByKey(level) })),
    limits,
    cautions,
    { id: "comparison.undo", title: "Undo the choice of level", keys: ["u"], run: () => move(undone(choices.current), "There is no earlier choice on this page.") },
    { id: "comparison.redo", title: "Choose it again", keys: ["Shift+u"], run: () => move(redone(choices.current), "There is no later choice.") },
    { id: "comparison.rows", title: all ? "Fold the rows without a limit" : "Show every row of the table", keys: ["m"], closed: folded === 0 && !all ? "Every row is shown." : null, run: () => showAll(!all) },
    ...(scanned ? [view] : []),
    place,
  ];
  const sound = comparison.sound_bone_from;
  const said = findingOf({ title: "", says: comparison.first ?? "" });
  return (
    <Shell title={`Comparison, ${life.side} hip`} hip={plateOf(life)} here="comparison" actions={actions} back={`/hip/${encodeURIComponent(hip)}`} mainClass="comparison">
      <div class="top">
        {comparison.first ? (
          <>
            <div class="before">
              <h1>{said.finding}</h1>
              {said.rest && <p>{said.rest}</p>}
            </div>
            <p class="says">{comparison.finding}</p>
          </>
        ) : (
          <h1>{comparison.finding}</h1>
        )}
      </div>
      {comparison.cautions.length > 0 && (
        <button type="button" class="cautionstrip" onClick={() => setPanel("cautions")} aria-label={`${comparison.cautions.length} cautions: read them with their sources`}>
          <b>Cautions</b>
          <span class="topics">
            {comparison.cautions.map((caution) => (
              <span key={caution.text}>
                {cautionTopic(caution.text)}
                {caution.levels.length > 0 && caution.levels.length < 4 && <small>{caution.levels.map((level) => levelWords[level].toLowerCase()).join(", ")}</small>}
              </span>
            ))}
          </span>
          <u>read {comparison.cautions.length === 1 ? "it" : `all ${comparison.cautions.length}`}</u>
        </button>
      )}
      <div class="board" ref={see} style={{ "--margin": `${margin}px`, "--columns": String(levels.length || 1) }}>
        <Staircase comparison={comparison} levels={levels} margin={margin} side={life.side} choose={choose} space={space} />
        <div class="beside" aria-label="Depth rule and legend">
          {space ? (
            <p class="k">
              one camera <br />
              for all levels
            </p>
          ) : (
            <p class="k">
              mm below <br />
              top of head
            </p>
          )}
          {sound && (
            <p class="sound">
              sound bone starts <Num n={sound} />
            </p>
          )}
          <Legend roles={space ? IN_SPACE : rolesOf(levels.map((level) => level.drawing_neck))} />
          {scanned && (
            <Press size="sm" kind="plain" onPress={view.run}>
              {space ? "Sections" : "In space"}
            </Press>
          )}
        </div>
        <div class="cmpwrap" tabIndex={-1} ref={more.see}>
          <table class="cmp">
            <colgroup>
              <col style={{ width: `${margin}px` }} />
              {levels.map((level) => (
                <col key={level.placement.level} />
              ))}
            </colgroup>
            <thead ref={seeHeads}>
              <tr>
                <th class="ask">
                  <ActionPress action={place} size="sm" hint={false} />
                  <ActionPress action={limits} size="sm" kind="plain" hint={false} />
                </th>
                {levels.map((level) => (
                  <LevelHead key={level.placement.level} level={level} chosen={level.placement.level === comparison.chosen} choose={choose} />
                ))}
              </tr>
            </thead>
            <tbody>
              {rows.map((row) => (
                <tr key={row.key} class={row.first ? "g" : ""}>
                  <th scope="row">
                    <div>
                      <em>{row.first ? row.group : ""}</em>
                    <span class="what" title={row.label}>
                      {row.label}
                      {row.unit && <small>{row.unit}</small>}
                    </span>
                    <i>{row.limit}</i>
                    </div>
                  </th>
                  {row.cells.map((line, i) => (
                    <td key={i}>
                      {line ? (
                        <div title={line.detail ? plainZero(line.detail) : undefined}>
                          {line.text !== null ? (
                            <span class="n text">
                              <b>{line.text}</b>
                              <i>{line.number.kind === "by_family" ? "by family" : ""}</i>
                            </span>
                          ) : (
                            <Num n={line.number} limit={line.limit} hideUnit brief={signed(line) ? 18 : 32} />
                          )}
                          {signed(line) && <LimitSign n={line.number} limit={line.limit} />}
                        </div>
                      ) : (
                        <div class="faint">does not apply</div>
                      )}
                    </td>
                  ))}
                </tr>
              ))}
              {(folded > 0 || all) && (
                <tr class="fold">
                  <td colSpan={levels.length + 1}>
                    <button type="button" onClick={() => showAll(!all)}>
                      {all ? "Fold the rows without a limit" : `${folded} more rows, none with a limit set`} <kbd>M</kbd>
                    </button>
                  </td>
                </tr>
              )}
            </tbody>
          </table>
        </div>
        {more.hidden > 0 && (
          <button type="button" class="morerows" onClick={more.onward}>
            ↓ more rows below
          </button>
        )}
        {chosen >= 0 && <div class="selbox" style={{ "--at": String(chosen) }} aria-hidden="true" />}
      </div>
      {panel === "cautions" && (
        <Panel title="Cautions" close={() => setPanel(null)}>
          <p class="k">Each stands for itself; they are never added up.</p>
          <CautionList cautions={comparison.cautions} levels />
        </Panel>
      )}
      {panel === "limits" && (
        <Panel title="Limits and where they come from" close={() => setPanel(null)}>
          <p class="k">Scale: {comparison.scale_words}</p>
          <LimitTable limits={comparison.limits} />
        </Panel>
      )}
    </Shell>
  );
}

/** What a picture in space shows. */
const IN_SPACE: ReadonlySet<string> = new Set(["bone", "component"]);

/** A limit sign stands beside a number that a limit is set for; without a value the reason has its room. */
const signed = (line: Line): boolean => line.limit !== null && line.limit.state !== "none" && line.limit.status !== "unset";

/** Heights the page keeps for its pictures and for the table's heads, CSS px. */
const PICTURES_PX = { tall: 226, low: 168 };
const HEADS_PX = 47;
const ROW_PX = 20;
/** Lines between groups, and the table's own edge. */
const GROUP_LINES = 10;

function LevelHead({ level, chosen, choose }: { level: Appraisal; chosen: boolean; choose: (level: Level) => void }): JSX.Element {
  const name = level.placement.level;
  const counts = countWords(level.counts);
  return (
    <th scope="col" class={chosen ? "sel" : ""}>
      <button type="button" aria-pressed={chosen} onClick={() => choose(name)} title={level.binding ?? undefined}>
        <b>{level.title || levelWords[name]}</b>
        <span class="fam">{level.family_words}</span>
        <span class="sum">
          {counts.map(({ state, words }, i) => (
            <span key={state}>
              <span class={`t ${state}`}>
                {words}
                {i < counts.length - 1 && <s>·</s>}
              </span>{" "}
            </span>
          ))}
        </span>
      </button>
    </th>
  );
}
