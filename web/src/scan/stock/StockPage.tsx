/** The stock profile: where sound bone begins, and what each cut would leave. The picture the surgeon looks at first. */

import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { at } from "../../api/client";
import type { CutLevelOut, HipPage, Level, StockPage as Page } from "../../api/schema";
import type { Action } from "../../model/actions";
import { LEVELS } from "../../model/comparison";
import { digits, levelWords, plainZero, sideWords, unitWords, valueWords } from "../../model/format";
import { nextElsewhere } from "../../model/next";
import { pathOfRoute } from "../../model/routes";
import { Legend, rolesOf } from "../../parts/Drawing";
import { useKept, useLoad, useLow, useSize } from "../../parts/hooks";
import { say } from "../../parts/keys";
import { LimitSign } from "../../parts/LimitSign";
import { Num } from "../../parts/Num";
import { Panel } from "../../parts/Panel";
import { go } from "../../parts/router";
import { plateOf, Shell } from "../../parts/Shell";
import { Stopped } from "../../parts/Stopped";
import { Findings } from "../room/Side";
import { flagTops, stockLayout } from "./layout";
import { partOf, StockPicture } from "./StockPicture";
import { type StockWork, useStock } from "./useStock";
import { drawnLevel, firstSentences, shortLabel, withNumbers } from "./words";

export function StockPage({ hip }: { hip: string }): JSX.Element {
  const life = useLoad<HipPage>(at("/api/hips", hip));
  const stock = useLoad<Page>(at("/api/hips", hip, {}, "/stock"));
  const error = life.error ?? stock.error;
  if (!life.data || !stock.data) {
    return (
      <Shell title="Stock profile" here="stock" hip={life.data ? plateOf(life.data) : null} back={pathOfRoute({ page: "hip", hip })}>
        {error ? <Stopped error={error} again={() => (life.again(), stock.again())} next={nextElsewhere(hip, life.data?.next, "stock")} /> : <p class="says wait">The stock profile is being measured.</p>}
      </Shell>
    );
  }
  return <Profile key={stock.data.scan_id} life={life.data} page={stock.data} />;
}

/** Heights the picture leaves above and below, CSS px. */
const ROOM = { tall: { top: 128, bottom: 54 }, low: { top: 104, bottom: 46 } };
const STRIP_PX = 30;
/** Letters of two lines. */
const SAYS_LETTERS = { tall: 140, low: 128 };
/** Of the volume of dead bone and its share. */
const VOLUME_LETTERS = 52;
const FLAG_GAP = { tall: 12, low: 5 };

function Profile({ life, page }: { life: HipPage; page: Page }): JSX.Element {
  const [see, size] = useSize<HTMLDivElement>();
  const low = useLow();
  const work = useStock(page);
  const [half, setHalf] = useKept<boolean>("stock half", false);
  const [panel, setPanel] = useState(false);
  const warns = page.findings.filter((finding) => finding.weight !== "note");
  const room = low ? ROOM.low : ROOM.tall;
  const layout = stockLayout(page.rows, size, { ...room, top: room.top + (warns.length > 0 ? STRIP_PX : 0) });
  const rows = Math.max(0, ...work.levels.map((level) => level.lines.length));
  const flagHeight = low ? 30 + rows * 20 : 44 + rows * 23;
  const cuts = work.levels.map((level) => layout.depth.at(work.depths[level.level] ?? level.depth.value ?? 0));
  const tops = flagTops(cuts, flagHeight, low ? FLAG_GAP.low : FLAG_GAP.tall, low ? 68 + (warns.length > 0 ? STRIP_PX : 0) : layout.top - 8, size.height - 14);
  const hip = pathOfRoute({ page: "hip", hip: page.hip_id });
  const drawn = drawnLevel(work.levels, work.chosen, page.sound_from.value);
  const part = work.levels.find((level) => level.level === drawn)?.drawing ?? null;
  const numbers = [page.lesion_volume, page.lesion_share].flatMap((n) => n ?? []);
  const said = withNumbers(page.says, numbers).some((piece) => typeof piece !== "string");
  // What is said in numbers stands once: in the sentence, or before it.
  const apart = said ? null : page.lesion_volume;
  const brief = firstSentences(page.says, (low ? SAYS_LETTERS.low : SAYS_LETTERS.tall) - (apart ? VOLUME_LETTERS : 0));
  const pieces = withNumbers(brief.words, numbers);
  const place: Action = {
    id: "stock.place",
    title: "Place a component here",
    keys: ["p"],
    violet: true,
    foot: "place a component here",
    closed: work.chosen === null ? "Choose a cut level: 1–4" : null,
    run: () => {
      void work.settled().then((kept) => (kept ? go(pathOfRoute({ page: "placement", hip: page.hip_id })) : say("The cut is not kept yet.")));
    },
  };
  const actions: Action[] = [
    { id: "stock.up", title: "Move the cut 0.5 mm up", keys: ["ArrowUp"], written: "↑ ↓", foot: "move the cut 0.5 mm", run: () => work.nudge(-0.5) },
    { id: "stock.down", title: "Move the cut 0.5 mm down", keys: ["ArrowDown"], run: () => work.nudge(0.5) },
    { id: "stock.upMore", title: "Move the cut 2 mm up", keys: ["Shift+ArrowUp"], run: () => work.nudge(-2) },
    { id: "stock.downMore", title: "Move the cut 2 mm down", keys: ["Shift+ArrowDown"], run: () => work.nudge(2) },
    ...LEVELS.map((level, i): Action => ({ id: `stock.level.${level}`, title: `Cut level ${levelWords[level].toLowerCase()}`, keys: [String(i + 1)], ...(i === 0 ? { foot: "cut level", written: "1–4" } : {}), closed: page.levels.some((one) => one.level === level) ? null : `${levelWords[level]}: this profile has no such cut.`, run: () => work.choose(level) })),
    { id: "stock.half", title: half ? "The section drawn" : "Half scan, half the same bone turned", keys: ["v"], foot: half ? "drawing" : "half scan", run: () => setHalf(!half) },
    { id: "stock.more", title: "Measures and what was found", keys: ["m"], run: () => setPanel(true) },
    { id: "stock.compare", title: "Compare the cut levels", keys: ["c"], run: () => go(pathOfRoute({ page: "comparison", hip: page.hip_id })) },
    place,
  ];
  return (
    <Shell title={`Stock profile, ${page.side} hip`} here="stock" hip={plateOf(life)} actions={actions} back={hip} mainClass="st">
      <div class="st-all" ref={see}>
        <header class="st-top">
          <h1>
            <Finding page={page} />
          </h1>
          <p class="says">
            {apart && (
              <>
                Dead bone <Num n={apart} />
                {page.lesion_share && (
                  <>
                    , <Num n={page.lesion_share} /> of the head
                  </>
                )}
                .{" "}
              </>
            )}
            {pieces.map((piece) => (typeof piece === "string" ? piece : <Num key={piece.key} n={piece} />))}{" "}
            <button type="button" class="st-more" onClick={() => setPanel(true)}>
              {brief.all ? "all measures" : "more"}
            </button>
          </p>
        </header>
        {warns[0] && (
          <button type="button" class={`cautionstrip st-strip${warns.some((one) => one.weight === "refuse") ? " refuse" : ""}`} onClick={() => setPanel(true)}>
            <b>{warns[0].weight === "refuse" ? "Stops planning" : "Take care"}</b>
            <span class="topics">
              <span>{warns[0].says}</span>
            </span>
            <u>{warns.length > 1 ? `read all ${warns.length}` : "read it"}</u>
          </button>
        )}
        <p class="st-axis">mm below the top of the head, along the neck axis</p>
        <p class={half ? "st-side on-scan" : "st-side"} style={{ left: `${layout.picture.left + 6}px`, top: `${layout.top + 4}px` }}>
          {sideWords(page.side)}
        </p>
        {size.height > 200 && <StockPicture page={page} work={work} layout={layout} size={size} flagMiddles={tops.map((top) => top + flagHeight / 2)} half={half} low={low} drawn={drawn} />}
        {work.levels.map((level, i) => (
          <Flag key={level.level} level={level} work={work} drawn={drawn === level.level && work.chosen === null} style={{ left: `${layout.flags.left}px`, width: `${layout.flags.width}px`, top: `${tops[i] ?? 0}px`, height: `${flagHeight}px` }} low={low} />
        ))}
        <Legend roles={new Set([...rolesOf([page.drawing]), ...(part ? rolesOf([partOf(part)]) : []), "cut"])} id="stock-legend" />
      </div>
      {panel && (
        <Panel title="Measured on the scan, and what was found" close={() => setPanel(false)}>
          <p class="says">{page.says}</p>
          <Findings findings={page.findings} />
          <p class="k">Density: {page.density_words}</p>
          <div class="st-numbers">
            {page.numbers.map((n) => (
              <div key={n.key}>
                <p>
                  <span class="k">{n.label}</span>
                  <Num n={n} brief={40} />
                </p>
                {n.note !== null && <small class="sc-note">† {n.note}</small>}
              </div>
            ))}
          </div>
        </Panel>
      )}
    </Shell>
  );
}

/** The finding with its number to press, where the sentence holds it. */
function Finding({ page }: { page: Page }): JSX.Element {
  const n = page.sound_from;
  const words = n.value === null ? null : `${valueWords(n) ?? ""} ${unitWords(n.unit)}`;
  const at = words === null ? -1 : page.finding.indexOf(words);
  if (words === null || at < 0) return <>{page.finding}</>;
  return (
    <>
      {page.finding.slice(0, at)}
      <Num n={n} />
      {page.finding.slice(at + words.length)}
    </>
  );
}

function Flag({ level, work, style, low, drawn }: { level: CutLevelOut; work: StockWork; style: Record<string, string>; low: boolean; drawn: boolean }): JSX.Element {
  const chosen = work.chosen === level.level;
  const depth = work.depths[level.level] ?? level.depth.value;
  const old = work.moving === level.level;
  // The title of the part repeats the level: its family is enough beside it.
  const part = level.component ?? level.reason ?? "";
  return (
    <section class={`flag${chosen ? " sel" : ""}${drawn ? " drawn" : ""}${old ? " old" : ""}`} style={style} aria-label={`${level.word}, cut ${depth === null ? "not placed" : `${digits(depth, 1)} mm below the top of the head`}`}>
      <h2>
        <button type="button" aria-pressed={chosen} onClick={() => work.choose(level.level as Level)} title={drawn ? `${part}: its part is drawn` : part}>
          {level.word}
          <small class={level.component === null ? "none" : ""}>{level.component ?? "no component fits"}</small>
        </button>
        <Num n={{ ...level.depth, value: depth }} />
      </h2>
      <dl>
        {level.lines.map((line) => (
          <div key={line.number.key} title={[line.number.label, line.detail && plainZero(line.detail)].filter(Boolean).join(": ")}>
            <dt>{shortLabel(line.number)}</dt>
            <dd>{line.text !== null ? <b>{line.text}</b> : <Num n={line.number} limit={line.limit} brief={low ? 18 : 20} />}</dd>
            <dd>
              <LimitSign n={line.number} limit={line.limit} />
            </dd>
          </div>
        ))}
      </dl>
    </section>
  );
}
