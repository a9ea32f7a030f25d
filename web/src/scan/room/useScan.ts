/** A scan while it is read and corrected: its page, its voxels, its steps, its job. */

import { useCallback, useEffect, useMemo, useRef, useState } from "preact/hooks";
import { ask, at } from "../../api/client";
import type { CalibrationIn, EditIn, EditKept, JobOut, ScanPage, ScanSideIn, Side } from "../../api/schema";
import type { KeeperState } from "../../film/model/keeper";
import { cancel, follow, jobs, unfinished } from "../../parts/jobs";
import { useLoad, useStore } from "../../parts/hooks";
import { say } from "../../parts/keys";
import { type Grid, gridOf } from "../geometry/grid";
import { type Vec, wire } from "../geometry/vec";
import { slicesOf, type SliceRenderer } from "../grey/card";
import { greyVolume, labelVolume } from "../grey/volume";
import { outlineKeeper } from "../keepers";
import { painted } from "../model/paint";

export interface ScanWork {
  readonly page: ScanPage | null;
  readonly error: Error | null;
  readonly again: () => void;
  readonly grid: Grid | null;
  readonly slices: SliceRenderer | null;
  /** Outlines as shown: the server's, with corrections that are on their way. */
  readonly labels: Uint8Array | null;
  readonly volumeSays: string | null;
  readonly kept: KeeperState;
  /** The job that reads, or renews the measures; null when none is under way. */
  readonly job: JobOut | null;
  readonly renewing: boolean;
  readonly read: (seed: Vec | null) => void;
  /** On MR: dead bone at this place is outlined and carried onto the CT. */
  readonly mark: (at: Vec) => void;
  readonly stop: () => void;
  readonly correct: (edit: EditIn, what: string) => void;
  readonly undo: () => void;
  readonly redo: () => void;
  readonly confirmSide: (side: Side) => void;
  readonly calibrate: (body: CalibrationIn) => Promise<boolean>;
  readonly discard: () => void;
  readonly keepMine: () => void;
}

export function useScan(hip: string, scan: string): ScanWork {
  const path = useCallback((rest: string) => at("/api/scans", scan, { hip }, rest), [hip, scan]);
  const loaded = useLoad<ScanPage>(path(""));
  const page = loaded.data;
  const keeper = useMemo(() => outlineKeeper(hip, scan), [hip, scan]);
  const [kept, setKept] = useState<KeeperState>({ name: "kept" });
  const gridKey = page ? JSON.stringify(page.grid) : "";
  const grid = useMemo(() => (page ? gridOf(page.grid) : null), [gridKey]);
  const slices = useSlices(page, grid);
  const [server, setServer] = useState<{ version: string; labels: Uint8Array } | null>(null);
  const [mine, setMine] = useState<Uint8Array | null>(null);
  const [failed, setFailed] = useState<string | null>(null);
  const now = useRef({ page, step: page?.segmentation.step ?? 0, put: loaded.put, again: loaded.again });
  now.current.put = loaded.put;
  now.current.again = loaded.again;
  if (page !== now.current.page) {
    now.current.page = page;
    if (page && keeper.waiting === 0) now.current.step = page.segmentation.step;
  }

  // Outlines, whenever their version changes.
  useEffect(() => {
    if (!page || page.segmentation.state !== "found") return;
    let current = true;
    labelVolume(page).then(
      (labels) => {
        if (!current) return;
        setServer({ version: page.volume_version, labels });
        if (keeper.waiting === 0) setMine(null);
      },
      (error: unknown) => current && setFailed((error as Error).message),
    );
    return () => {
      current = false;
    };
  }, [page?.scan_id, page?.volume_version, page?.segmentation.state, gridKey]);

  const take = useCallback((answer: EditKept) => {
    const before = now.current.page;
    now.current.step = answer.segmentation.step;
    if (before) now.current.put({ ...before, segmentation: answer.segmentation, volume_version: answer.volume_version });
  }, []);

  useEffect(() => {
    const deaf = keeper.heard({ onKept: take, onState: setKept });
    keeper.flush();
    return deaf;
  }, [keeper, take]);

  // The job of a reading, or of the measures after a correction.
  const jobId = page?.segmentation.job_id ?? null;
  const [started, setStarted] = useState<string | null>(null);
  const all = useStore(jobs);
  const job = all.find((one) => one.job_id === (jobId ?? started) && unfinished(one)) ?? null;
  const onDone = useCallback((done: JobOut) => {
    setStarted(null);
    if (done.state === "failed") say(done.says);
    now.current.again();
  }, []);
  useEffect(() => {
    if (jobId === null) return;
    let current = true;
    ask<JobOut>("GET", at("/api/jobs", jobId)).then(
      (found) => {
        if (!current) return;
        if (unfinished(found)) follow(found, onDone);
      },
      () => undefined,
    );
    return () => {
      current = false;
    };
  }, [jobId, onDone]);

  const correct = useCallback(
    (edit: EditIn, what: string) => {
      setMine((shown) => {
        const from = shown ?? server?.labels;
        return from && grid ? painted(from, grid, edit) : shown;
      });
      keeper.add({ state: [edit], what, base: now.current.step });
    },
    [keeper, server, grid],
  );
  const post = (rest: string): void => {
    void keeper
      .settled()
      .then(() => ask<EditKept>("POST", path(rest)))
      .then(
        (answer) => {
          setMine(null);
          take(answer);
        },
        (error: unknown) => say((error as Error).message),
      );
  };
  const begin = (rest: string, body: unknown): void => {
    ask<JobOut>("POST", path(rest), body).then(
      (found) => {
        setStarted(found.job_id);
        follow(found, onDone);
        now.current.again();
      },
      (error: unknown) => say((error as Error).message),
    );
  };
  return {
    page,
    error: loaded.error,
    again: loaded.again,
    grid,
    slices: slices.slices,
    labels: page?.segmentation.state === "found" ? (mine ?? server?.labels ?? null) : null,
    volumeSays: slices.says ?? failed,
    kept,
    job,
    renewing: page?.segmentation.state === "found" && (job !== null || kept.name === "keeping"),
    read: (seed) => begin("/read", { seed: seed && wire(seed) }),
    mark: (click) => begin("/mark", { click: wire(click) }),
    stop: () => job && void cancel(job).catch((error: unknown) => say((error as Error).message)),
    correct,
    undo: () => post("/edits/undo"),
    redo: () => post("/edits/redo"),
    confirmSide: (seen) => {
      const body: ScanSideIn = { seen };
      ask<ScanPage>("PUT", path("/side"), body).then(loaded.put, (error: unknown) => say((error as Error).message));
    },
    calibrate: (body) =>
      ask<ScanPage>("PUT", path("/calibration"), body).then(
        (answer) => {
          loaded.put(answer);
          return true;
        },
        (error: unknown) => {
          say((error as Error).message);
          return false;
        },
      ),
    discard: () => {
      keeper.discard();
      setMine(null);
      loaded.again();
    },
    keepMine: () => {
      void ask<ScanPage>("GET", path("")).then((answer) => {
        loaded.put(answer);
        keeper.resume(answer.segmentation.step);
      });
    },
  };
}

/** The renderer of a scan's greys; the processor goes on when the card is taken away. */
export function useSlices(page: ScanPage | null, grid: Grid | null): { slices: SliceRenderer | null; says: string | null } {
  const [grey, setGrey] = useState<Int16Array | null>(null);
  const [says, setSays] = useState<string | null>(null);
  const [plain, setPlain] = useState(false);
  const key = page ? `${page.scan_id} ${page.hip_id} ${JSON.stringify(page.grid)}` : "";
  useEffect(() => {
    if (!page) return;
    let current = true;
    setGrey(null);
    greyVolume(page).then(
      (got) => current && (setSays(null), setGrey(got)),
      (error: unknown) => current && setSays((error as Error).message),
    );
    return () => {
      current = false;
    };
  }, [key]);
  const slices = useMemo(() => (grey && grid ? slicesOf(grey, grid, () => setPlain(true), plain) : null), [grey, grid, plain]);
  useEffect(() => () => slices?.dispose(), [slices]);
  return { slices, says };
}
