/** Every limit that headstock holds a number against: its source, and who changed it. */

import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { ask, at } from "../api/client";
import type { LimitRow } from "../api/schema";
import { typedNumber } from "../model/facts";
import { unitWords } from "../model/format";
import { limitStatus } from "../model/limits";
import { about, readerName } from "../parts/desk";
import { useLoad, useStore } from "../parts/hooks";
import { say } from "../parts/keys";
import { Press } from "../parts/Press";
import { SavedState, Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";

export function LimitsView(): JSX.Element {
  const { data, error, again } = useLoad<LimitRow[]>("/api/limits");
  const [editing, edit] = useState<string | null>(null);
  return (
    <Shell
      title="Limits"
      back="/"
      scrolls
      mainClass="limitspage"
      plate={
        <>
          <div class="who">
            <b>headstock</b>
            <span>Limits of this installation</span>
          </div>
          <div class="gap" />
          <SavedState state={null} />
        </>
      }
    >
      {error && !data && <Stopped error={error} again={again} />}
      {data && (
        <>
          <h1>Every limit has a source, or it is unset.</h1>
          <p class="says">A limit shows where a number stands; it never chooses. One without a source ships unset, and the hospital decides. Whoever sets one stands beside it.</p>
          <table class="limits wide">
            <thead>
              <tr>
                <th>what</th>
                <th>limit</th>
                <th>how well it is known</th>
                <th />
              </tr>
            </thead>
            <tbody>
              {data.map((limit) =>
                editing === limit.key ? (
                  <LimitForm
                    key={limit.key}
                    limit={limit}
                    close={(changed) => {
                      edit(null);
                      if (changed) again();
                    }}
                  />
                ) : (
                  <tr key={limit.key} class={limit.status}>
                    <th scope="row">{limit.label}</th>
                    <td class="lv">{limit.words || "unset"}</td>
                    <td>{limitStatus(limit)}</td>
                    <td class="act">
                      <Press size="sm" kind="plain" onPress={() => edit(limit.key)}>
                        Set
                      </Press>
                    </td>
                  </tr>
                ),
              )}
            </tbody>
          </table>
        </>
      )}
    </Shell>
  );
}

function LimitForm({ limit, close }: { limit: LimitRow; close: (changed: boolean) => void }): JSX.Element {
  const by = readerName(useStore(about));
  const [low, setLow] = useState("");
  const [high, setHigh] = useState("");
  const [source, setSource] = useState("");
  const first = useRef<HTMLInputElement>(null);
  useEffect(() => first.current?.focus(), []);
  const [refused, refuse] = useState<string | null>(null);
  const ends = [typedNumber(low), typedNumber(high)] as const;
  const wrong = ends[0].wrong ?? ends[1].wrong ?? (source.trim() === "" ? "Say where the limit comes from" : by === "" ? "Say who sets it: type your name at the top" : null);
  const keep = (): void => {
    ask("PUT", at("/api/limits", limit.key), { low: ends[0].value, high: ends[1].value, source: source.trim(), by }).then(
      () => {
        say(`${limit.label}: set by ${by}.`);
        close(true);
      },
      (error: unknown) => refuse((error as Error).message),
    );
  };
  return (
    <tr class="editing">
      <th scope="row">
        {limit.label}
        {refused && <p class="refused">{refused}</p>}
      </th>
      <td>
        <span class="ends">
          <label class="field">
            <span class="faint">at least</span>
            <input inputMode="decimal" value={low} onInput={(event) => setLow(event.currentTarget.value)} ref={first} />
            <u>{unitWords(limit.unit)}</u>
          </label>
          <label class="field">
            <span class="faint">at most</span>
            <input inputMode="decimal" value={high} onInput={(event) => setHigh(event.currentTarget.value)} />
            <u>{unitWords(limit.unit)}</u>
          </label>
        </span>
      </td>
      <td colSpan={2}>
        <label class="field">
          <span class="vh">Source</span>
          <input value={source} placeholder="Source: author, journal, year, page; or who decided" onInput={(event) => setSource(event.currentTarget.value)} />
        </label>
        <p class="two">
          <Press size="sm" kind="do" closed={wrong} onPress={keep}>
            Set it
          </Press>
          <Press size="sm" kind="plain" onPress={() => close(false)}>
            Leave
          </Press>
        </p>
      </td>
    </tr>
  );
}
