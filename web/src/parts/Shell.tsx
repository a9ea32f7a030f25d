/**
 * What stands around every page: nameplate, line, foot. Paper (light) for words and
 * drawings, reading room (dark) for films.
 */

import type { ComponentChildren, JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import type { HipPage, Person, Side, Station } from "../api/schema";
import { dateWords, sideWords } from "../model/format";
import { reachable, writtenKeys, type Action } from "../model/actions";
import { steps, worstOf } from "../model/steps";
import { along } from "../model/stations";
import { about, readerName, saves } from "./desk";
import { useActions, useStore } from "./hooks";
import { Reader } from "./Reader";
import { KeysPanel } from "./KeysPanel";
import { Line } from "./Line";
import { perform, said, say, scopes } from "./keys";
import { go, Link } from "./router";
import { WhyHost } from "./WhySlip";
import { forgetWhys } from "./why";

export interface HipPlate {
  hipId: string;
  person: Person;
  side: Side;
  stations: readonly Station[];
}

/** The plate of a hip's page: side, who, and the line. */
export const plateOf = (page: HipPage): HipPlate => ({ hipId: page.hip_id, person: page.person, side: page.side, stations: page.stations });

interface ShellProps {
  /** Of the browser tab: never a name. */
  title: string;
  ground?: "paper" | "dark";
  hip?: HipPlate | null;
  here?: Station["key"] | null;
  /** Instead of "All saved": two lines at the right of the nameplate. */
  state?: { title: string; detail: string; kind?: "late" | "stopped" } | null;
  /** In place of who and state, on pages without a hip. */
  plate?: ComponentChildren;
  actions?: readonly Action[];
  /** Escape goes here. */
  back?: string | null;
  scrolls?: boolean;
  mainClass?: string;
  children: ComponentChildren;
}

const CAUTION = "Not a cleared medical device. For planning support and research. The surgeon verifies; local rules prevail.";

export function Shell(props: ShellProps): JSX.Element {
  const { ground = "paper", hip = null, here = null, actions = [], back = null } = props;
  const [keysOpen, setKeys] = useState(false);
  useEffect(() => {
    document.title = `${props.title} · headstock`;
    forgetWhys();
  }, [props.title, hip?.hipId]);
  useEffect(() => {
    document.documentElement.style.background = ground === "dark" ? "#0b0e0f" : "";
  }, [ground]);

  const shell: Action[] = [
    { id: "shell.keys", title: "All keys", keys: ["?"], foot: "all keys", run: () => setKeys(true) },
    { id: "shell.why", title: "Why: what is behind the number in focus", keys: ["w"], run: whyOfFocus },
    { id: "shell.patients", title: "All patients", keys: ["Home"], run: () => go("/") },
    { id: "shell.limits", title: "Limits and where they come from", keys: ["Shift+l"], run: () => go("/limits") },
  ];
  if (hip) {
    shell.push(
      { id: "line.on", title: "Along the line", keys: ["ArrowRight"], run: () => alongLine(hip, here, 1) },
      { id: "line.back", title: "Back along the line", keys: ["ArrowLeft"], run: () => alongLine(hip, here, -1) },
      { id: "line.hip", title: "This hip's line of life", keys: ["h"], run: () => go(`/hip/${encodeURIComponent(hip.hipId)}`) },
    );
  }
  if (back) shell.push({ id: "shell.back", title: "Go back", keys: ["Escape"], run: () => go(back) });
  useActions("Everywhere", shell, false, 0);
  useActions("This page", actions, false, 1);

  return (
    <div class={ground === "dark" ? "page dark" : "page"}>
      <Nameplate hip={hip} plate={props.plate} state={props.state ?? null} />
      {hip ? <Line hip={hip.hipId} stations={hip.stations} here={here} /> : <span />}
      <main class={[props.scrolls ? "scrolls" : "", props.mainClass ?? ""].filter(Boolean).join(" ")}>{props.children}</main>
      <Foot />
      <WhyHost />
      {keysOpen && <KeysPanel close={() => setKeys(false)} />}
    </div>
  );
}

function alongLine(hip: HipPlate, here: Station["key"] | null, step: 1 | -1): void {
  const path = along(hip.hipId, hip.stations, here, step);
  if (path) go(path);
  else say(step === 1 ? "The line goes no further yet." : "This is where the line begins.");
}

/** W on the number in focus; without one, on the first number of the page. */
function whyOfFocus(): void {
  const focused = document.activeElement?.closest<HTMLElement>("[data-number]");
  const number = focused ?? document.querySelector<HTMLElement>("main [data-number]");
  if (!number) return say("There is no number here to ask about.");
  number.focus();
  number.click();
}

function Nameplate({ hip, plate, state }: { hip: HipPlate | null; plate: ComponentChildren; state: ShellProps["state"] }): JSX.Element {
  const now = useStore(about);
  // Asked in the nameplate until answered, never in the way.
  const nobody = now !== null && readerName(now) === "";
  return (
    <header class="plate">
      <Link to="/" class="home" aria-label="headstock, all patients">
        <Mark />
      </Link>
      {hip ? (
        <>
          <Link to={`/hip/${encodeURIComponent(hip.hipId)}`} class="side" tabIndex={-1}>
            {sideWords(hip.side)}
          </Link>
          <Link to={`/hip/${encodeURIComponent(hip.hipId)}`} class="who">
            <b>{hip.person.name}</b>
            <span>{personWords(hip.person)}</span>
          </Link>
        </>
      ) : null}
      {plate ?? (
        <>
          <div class="gap" />
          {nobody && state !== null && (
            <div class="state whoreads">
              <Reader />
            </div>
          )}
          <SavedState state={state ?? null} />
        </>
      )}
    </header>
  );
}

/** "born 14 Mar 1992 · 34 years · number": two identifiers on every page. */
export function personWords(person: Person): string {
  const born = person.born ? `born ${dateWords(person.born)}` : "birth date not known";
  const age = person.age_years === null ? [] : [`${person.age_years} years`];
  return [born, ...age, person.number || "no number"].join(" · ");
}

export function SavedState({ state }: { state: NonNullable<ShellProps["state"]> | null }): JSX.Element {
  const saved = useStore(saves.state);
  const reader = readerName(useStore(about));
  const waits = worstOf(useStore(steps));
  const refused = saved.refused[0];
  if (refused) {
    return (
      <div class="state stopped" role="alert">
        <b>Not saved: {refused.what}</b>
        <span>
          {refused.says}{" "}
          <button type="button" onClick={() => saves.dismiss(refused.key)}>
            <u>Read</u>
          </button>
        </span>
      </div>
    );
  }
  if (waits && waits.name !== "keeping" && !state?.kind) {
    return (
      <div class={`state ${waits.name === "stopped" ? "stopped" : "late"}`} role="status">
        <b>Not saved yet</b>
        {waits.name === "stopped" ? "a reading or placement waits for a choice on its page" : `${waits.waiting} ${waits.waiting === 1 ? "step waits" : "steps wait"} in this browser; trying again`}
      </div>
    );
  }
  if (saved.failing) {
    return (
      <div class="state late" role="status">
        <b>Not saved yet</b>
        {`${saved.waiting} waiting; trying again`}
      </div>
    );
  }
  if (saved.waiting > 0) {
    return (
      <div class="state" role="status">
        <b>Saving</b>
        {reader}
      </div>
    );
  }
  if (state) {
    return (
      <div class={`state ${state.kind ?? ""}`} role="status">
        <b>{state.title}</b>
        {state.detail}
      </div>
    );
  }
  return (
    <div class="state" role="status">
      <b>All saved</b>
      <span>
        {saved.savedAt !== null && `${clock(saved.savedAt)}, `}
        <Reader />
      </span>
    </div>
  );
}

function clock(ms: number): string {
  const at = new Date(ms);
  return `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
}

function Foot(): JSX.Element {
  const now = useStore(scopes);
  const words = useStore(said);
  const shown = reachable(now)
    .flatMap(({ actions }) => actions)
    .filter((action) => action.foot !== undefined);
  return (
    <footer class="foot">
      {words ? (
        <span class="said" role="status">
          {words}
        </span>
      ) : (
        <span>{CAUTION}</span>
      )}
      <span class="keys">
        {shown.map((action) => (
          <button key={action.id} type="button" tabIndex={-1} onClick={() => perform(action)} aria-label={action.title}>
            {writtenKeys(action, "foot")
              .slice(0, 1)
              .map((key) => (
                <kbd key={key}>{key}</kbd>
              ))}{" "}
            {action.foot}
          </button>
        ))}
      </span>
    </footer>
  );
}

/** The sign of headstock: a neck ruled in millimetres, one cut. */
export function Mark(): JSX.Element {
  return (
    <svg width="26" height="26" viewBox="0 0 26 26" aria-hidden="true">
      <path d="M13 2V24" stroke="var(--ink)" stroke-width="2" />
      <path d="M8 6H18M6.5 11H19.5M5 16H21M8 21H18" stroke="var(--ink)" stroke-width="1.6" />
      <path d="M3 11H23" stroke="var(--mark)" stroke-width="3" />
    </svg>
  );
}
