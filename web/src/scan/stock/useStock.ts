/** The stock profile while its cuts are moved: the line follows the hand, the numbers follow the line, a cut let go of is kept. */

import { useCallback, useEffect, useMemo, useRef, useState } from "preact/hooks";
import { ask, at } from "../../api/client";
import type { CutIn, CutLevelOut, Level, StockPage } from "../../api/schema";
import { latest } from "../../film/model/latest";
import { LEVELS } from "../../model/comparison";
import { saves } from "../../parts/desk";
import { say } from "../../parts/keys";
import { heldDepth } from "./layout";

export interface StockWork {
  readonly levels: readonly CutLevelOut[];
  /** Where each cut is now: the hand's place, before its numbers arrive. */
  readonly depths: Readonly<Partial<Record<Level, number>>>;
  readonly chosen: Level | null;
  /** Numbers shown belong to an earlier place of this level. */
  readonly moving: Level | null;
  readonly choose: (level: Level) => void;
  readonly move: (level: Level, depth_mm: number) => void;
  /** The hand let go. */
  readonly keep: (level: Level) => void;
  readonly nudge: (by_mm: number) => void;
  /** Resolves when the chosen cut is kept. */
  readonly settled: () => Promise<boolean>;
}

/** Arrow presses within this time are one cut to keep. */
const STILL_MS = 700;

export function useStock(page: StockPage): StockWork {
  const hip = page.hip_id;
  const [levels, setLevels] = useState<readonly CutLevelOut[]>(page.levels);
  const [depths, setDepths] = useState<Partial<Record<Level, number>>>({});
  const [chosen, setChosen] = useState<Level | null>(page.chosen);
  const [moving, setMoving] = useState<Level | null>(null);
  const keeping = useRef<Promise<unknown>>(Promise.resolve());
  const later = useRef<{ timer: ReturnType<typeof setTimeout>; run: () => void } | null>(null);
  const now = useRef({ levels, depths });
  now.current = { levels, depths };
  const path = at("/api/hips", hip, {}, "/stock/cut");

  const take = useCallback((answer: CutLevelOut) => setLevels((all) => all.map((level) => (level.level === answer.level ? answer : level))), []);
  const live = useMemo(
    () =>
      latest(
        (asked: CutIn, signal) => ask<CutLevelOut>("POST", path, asked, signal),
        (answer, asked) => {
          take(answer);
          if (now.current.depths[asked.level] === asked.depth_mm) setMoving(null);
        },
        (error) => say((error as Error).message),
      ),
    [path, take],
  );
  useEffect(() => () => live.drop(), [live]);
  const of = (level: Level): CutLevelOut | undefined => now.current.levels.find((one) => one.level === level);
  const depthOf = (level: Level): number | null => now.current.depths[level] ?? of(level)?.depth.value ?? null;

  const move = (level: Level, depth_mm: number): void => {
    const row = of(level);
    if (!row) return;
    const held = heldDepth(depth_mm, row.range_mm);
    setChosen(level);
    if (held === depthOf(level)) return;
    now.current.depths = { ...now.current.depths, [level]: held };
    setDepths(now.current.depths);
    setMoving(level);
    live.ask({ level, depth_mm: held, keep: false });
  };
  const keep = (level: Level): void => {
    const depth_mm = depthOf(level);
    if (depth_mm === null) return;
    const body: CutIn = { level, depth_mm, keep: true };
    keeping.current = saves.save<CutLevelOut>({ key: `cut ${hip}`, what: "cut level", method: "POST", path, body }).then(
      (answer) => {
        if (depthOf(level) === depth_mm) take(answer);
      },
      (error: unknown) => {
        say((error as Error).message);
        return Promise.reject(error as Error);
      },
    );
    keeping.current.catch(() => undefined);
  };
  const keepSoon = (level: Level): void => {
    if (later.current) clearTimeout(later.current.timer);
    const run = (): void => {
      later.current = null;
      keep(level);
    };
    later.current = { timer: setTimeout(run, STILL_MS), run };
  };
  const hurry = (): void => {
    const waits = later.current;
    if (!waits) return;
    clearTimeout(waits.timer);
    waits.run();
  };
  useEffect(() => hurry, []);

  return {
    levels: LEVELS.flatMap((name) => levels.filter((level) => level.level === name)),
    depths,
    chosen,
    moving,
    choose: (level) => {
      if (level === chosen) return;
      hurry();
      setChosen(level);
      keep(level);
    },
    move,
    keep,
    nudge: (by_mm) => {
      if (!chosen) return say("Choose a cut level first: 1–4.");
      const from = depthOf(chosen);
      if (from === null) return;
      move(chosen, from + by_mm);
      if (depthOf(chosen) === from) return say("The cut can go no further at this level.");
      keepSoon(chosen);
    },
    settled: async () => {
      hurry();
      try {
        await keeping.current;
        return true;
      } catch {
        return false;
      }
    },
  };
}
