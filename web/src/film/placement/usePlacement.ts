/** A placement while it is moved: drawn at once, numbers as they arrive, every finished move kept. */

import { useCallback, useEffect, useMemo, useRef, useState } from "preact/hooks";
import { ask, at } from "../../api/client";
import type { Appraisal, MovedAnswer, PlacementIn, PlacementPage, TargetIn } from "../../api/schema";
import { say } from "../../parts/keys";
import { placementKeeper } from "../keepers";
import { type KeeperState, reconcile } from "../model/keeper";
import { withMoved } from "../model/hand";
import { latest } from "../model/latest";
import { samePlacement } from "../model/placement";

/** How long a hand stays before it rests. */
const REST_MS = 150;

export interface PlacementWork {
  readonly page: PlacementPage | null;
  /** Where the part is now. */
  readonly placement: PlacementIn | null;
  /** The newest numbers; `appraisal.placement` says for which placement they are. */
  readonly appraisal: Appraisal | null;
  /** The reserve belongs to the placement last let go of. */
  readonly moving: boolean;
  readonly kept: KeeperState;
  readonly error: Error | null;
  readonly liveMs: number | null;
  readonly show: (placement: PlacementIn) => void;
  readonly commit: (placement: PlacementIn, what: string) => void;
  readonly undo: () => void;
  readonly redo: () => void;
  /** The best fit of this level, searched anew. */
  readonly best: () => void;
  readonly aim: (target: TargetIn) => void;
  /** Resolves when nothing waits to be kept: true, or false when keeping was refused. */
  readonly settled: () => Promise<boolean>;
  readonly takeTheirs: () => void;
  readonly keepMine: () => void;
}

export function usePlacement(hip: string): PlacementWork {
  const path = useCallback((rest: string) => at("/api/hips", hip, {}, rest), [hip]);
  const [page, setPage] = useState<PlacementPage | null>(null);
  const [placement, setPlacement] = useState<PlacementIn | null>(null);
  const [appraisal, setAppraisal] = useState<Appraisal | null>(null);
  const [moving, setMoving] = useState(false);
  const [kept, setKept] = useState<KeeperState>({ name: "kept" });
  const [error, setError] = useState<Error | null>(null);
  const [liveMs, setLiveMs] = useState<number | null>(null);
  const now = useRef<{ placement: PlacementIn | null; step: number }>({ placement: null, step: 0 });
  const keeper = useMemo(() => placementKeeper(hip), [hip]);

  const live = useMemo(
    () =>
      latest(
        (asked: PlacementIn, signal) => ask<Appraisal>("POST", path("/appraise"), asked, signal),
        (answer, _asked, tookMs) => {
          setAppraisal((before) => ({ ...answer, reserve: answer.reserve ?? before?.reserve ?? null }));
          if (answer.reserve !== null) setMoving(false);
          setLiveMs(tookMs);
        },
        (reason) => say(reason instanceof Error ? reason.message : String(reason)),
      ),
    [path],
  );
  const rest = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
  // On a scan a hand is followed by values alone; their intervals are asked for when it rests.
  const quick = useMemo(
    () =>
      latest(
        (asked: PlacementIn, signal) => ask<MovedAnswer>("POST", path("/values"), asked, signal),
        (answer, asked, tookMs) => {
          setAppraisal((before) => before && withMoved(before, answer));
          setLiveMs(tookMs);
          clearTimeout(rest.current);
          rest.current = setTimeout(() => now.current.placement === asked && live.ask(asked), REST_MS);
        },
        (reason) => say(reason instanceof Error ? reason.message : String(reason)),
      ),
    [path, live],
  );
  const stop = useCallback(() => {
    clearTimeout(rest.current);
    quick.drop();
    live.drop();
  }, [quick, live]);

  const take = useCallback((answer: PlacementPage) => {
    now.current = { placement: answer.appraisal.placement, step: answer.step };
    setPage(answer);
    setPlacement(answer.appraisal.placement);
    setAppraisal(answer.appraisal);
    setMoving(false);
  }, []);

  useEffect(() => {
    let current = true;
    let later: ReturnType<typeof setTimeout> | undefined;
    const deaf = keeper.heard({
      onKept: (answer, isLast) => {
        now.current.step = answer.step;
        setPage(answer);
        if (!isLast || !now.current.placement || !samePlacement(answer.appraisal.placement, now.current.placement)) return;
        stop();
        setAppraisal(answer.appraisal);
        setMoving(false);
      },
      onState: setKept,
    });
    const load = (): void => {
      ask<PlacementPage>("GET", path("/placement")).then(
        (answer) => {
          if (!current) return;
          setError(null);
          take(answer);
          const mine = keeper.left.at(-1);
          if (!mine) return;
          now.current.placement = mine.state;
          setPlacement(mine.state);
          live.ask(mine.state);
          const rest = reconcile(keeper.left, answer.step, answer.appraisal.placement, samePlacement);
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
    if (keeper.sending) void keeper.settled().then(load);
    else load();
    return () => {
      current = false;
      clearTimeout(later);
      deaf();
      stop();
    };
  }, [path, keeper, live, stop, take]);

  const show = useCallback(
    (next: PlacementIn) => {
      now.current.placement = next;
      setPlacement(next);
      setMoving(true);
      if (!next.space) return live.ask(next);
      clearTimeout(rest.current);
      live.drop();
      quick.ask(next);
    },
    [live, quick],
  );
  const commit = useCallback(
    (next: PlacementIn, what: string) => {
      show(next);
      keeper.add({ state: next, what, base: now.current.step });
    },
    [show, keeper],
  );
  const post = useCallback(
    (run: () => Promise<PlacementPage>) => {
      void keeper
        .settled()
        .then(run)
        .then(
          (answer) => {
            stop();
            take(answer);
          },
          (reason: unknown) => say((reason as Error).message),
        );
    },
    [keeper, take, stop],
  );

  return {
    page,
    placement,
    appraisal,
    moving,
    kept,
    error,
    liveMs,
    show,
    commit,
    undo: () => post(() => ask<PlacementPage>("POST", path("/placement/undo"))),
    redo: () => post(() => ask<PlacementPage>("POST", path("/placement/redo"))),
    best: () => post(() => ask<PlacementPage>("POST", path("/placement/best"), { level: now.current.placement?.level })),
    aim: (target) => post(() => ask<PlacementPage>("PUT", path("/target"), target)),
    settled: () => keeper.settled().then(() => keeper.waiting === 0),
    takeTheirs: () => {
      keeper.discard();
      post(() => ask<PlacementPage>("GET", path("/placement")));
    },
    keepMine: () => {
      void ask<PlacementPage>("GET", path("/placement")).then((answer) => {
        now.current.step = answer.step;
        keeper.resume(answer.step);
      });
    },
  };
}
