/** A reading while it is worked on: local at once, kept step by step, numbers as the server gives them. */

import { useCallback, useEffect, useMemo, useRef, useState } from "preact/hooks";
import { ask, at } from "../../api/client";
import type { MeasuresOut, ReadingPage, ReadingState } from "../../api/schema";
import { readingKeeper } from "../keepers";
import { type KeeperState, reconcile } from "../model/keeper";
import { latest } from "../model/latest";
import { EMPTY, sameState } from "../model/reading";

export interface ReadingWork {
  readonly page: ReadingPage | null;
  readonly state: ReadingState;
  readonly measures: MeasuresOut | null;
  readonly kept: KeeperState;
  readonly error: Error | null;
  /** Round trip of the last live answer, ms. */
  readonly liveMs: number | null;
  /** Show a state while a hand is moving: numbers follow, nothing is kept yet. */
  readonly show: (state: ReadingState) => void;
  /** A finished step: shown, kept, undoable. `what` names it in the undo list. */
  readonly commit: (state: ReadingState, what: string) => void;
  readonly undo: () => void;
  readonly redo: () => void;
  /** Begin another reading of this film by this reader, for repeatability. */
  readonly again: () => void;
  /** Another reader kept a later step: show theirs, or put mine after it. */
  readonly takeTheirs: () => void;
  readonly keepMine: () => void;
}

export function useReading(hip: string, film: string): ReadingWork {
  const path = useCallback((rest: string) => at("/api/films", film, { hip }, rest), [hip, film]);
  const [page, setPage] = useState<ReadingPage | null>(null);
  const [state, setState] = useState<ReadingState>(EMPTY);
  const [measures, setMeasures] = useState<MeasuresOut | null>(null);
  const [kept, setKept] = useState<KeeperState>({ name: "kept" });
  const [error, setError] = useState<Error | null>(null);
  const [liveMs, setLiveMs] = useState<number | null>(null);
  const now = useRef({ state, step: 0 });
  now.current.state = state;

  const live = useMemo(
    () =>
      latest(
        (asked: ReadingState, signal) => ask<MeasuresOut>("POST", path("/measure"), asked, signal),
        (answer, _asked, tookMs) => {
          setMeasures(answer);
          setLiveMs(tookMs);
        },
      ),
    [path],
  );

  const keeper = useMemo(() => readingKeeper(hip, film), [hip, film]);

  const take = useCallback((answer: ReadingPage) => {
    now.current.step = answer.step;
    setPage(answer);
    setState(answer.state);
    setMeasures(answer.measures);
  }, []);

  useEffect(() => {
    let current = true;
    let later: ReturnType<typeof setTimeout> | undefined;
    const deaf = keeper.heard({
      onKept: (answer, isLast) => {
        now.current.step = answer.step;
        setPage(answer);
        if (isLast && sameState(answer.state, now.current.state)) {
          live.drop();
          setMeasures(answer.measures);
        }
      },
      onState: setKept,
    });
    const load = (): void => {
      ask<ReadingPage>("GET", path("/reading")).then(
        (answer) => {
          if (!current) return;
          setError(null);
          take(answer);
          const mine = keeper.left.at(-1);
          if (!mine) return;
          now.current.state = mine.state;
          setState(mine.state);
          live.ask(mine.state);
          const rest = reconcile(keeper.left, answer.step, answer.state, sameState);
          if (rest) keeper.replace(rest);
          else keeper.resume();
        },
        (reason: unknown) => {
          if (!current) return;
          setError(reason as Error);
          later = setTimeout(load, 2000);
        },
      );
    };
    // Steps of an earlier visit to this page may still be on their way.
    if (keeper.sending) void keeper.settled().then(load);
    else load();
    return () => {
      current = false;
      clearTimeout(later);
      deaf();
      live.drop();
    };
  }, [path, keeper, live, take]);

  const show = useCallback(
    (next: ReadingState) => {
      setState(next);
      now.current.state = next;
      live.ask(next);
    },
    [live],
  );
  const commit = useCallback(
    (next: ReadingState, what: string) => {
      show(next);
      keeper.add({ state: next, what, base: now.current.step });
    },
    [show, keeper],
  );
  const move = useCallback(
    (which: "undo" | "redo" | "again") => {
      void keeper.settled().then(() =>
        ask<ReadingPage>("POST", path(`/reading/${which}`)).then(
          (answer) => {
            live.drop();
            take(answer);
          },
          (reason: unknown) => setKept({ name: "retrying", waiting: 0, says: (reason as Error).message }),
        ),
      );
    },
    [keeper, path, take, live],
  );
  const reload = useCallback(() => ask<ReadingPage>("GET", path("/reading")), [path]);

  return {
    page,
    state,
    measures,
    kept,
    error,
    liveMs,
    show,
    commit,
    undo: useCallback(() => move("undo"), [move]),
    redo: useCallback(() => move("redo"), [move]),
    again: useCallback(() => move("again"), [move]),
    takeTheirs: useCallback(() => {
      keeper.discard();
      void reload().then(take);
    }, [keeper, reload, take]),
    keepMine: useCallback(() => {
      void reload().then((answer) => {
        now.current.step = answer.step;
        keeper.resume(answer.step);
      });
    }, [keeper, reload]),
  };
}
