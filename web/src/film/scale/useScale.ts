/** Giving a film its scale: which source is being worked on, what was clicked, what the server said. */

import { useCallback, useRef, useState } from "preact/hooks";
import { ask, at as path, Stopped } from "../../api/client";
import type { FilmPage, ScaleChoice, ScaleIn, SideLetterIn, SnapIn, SnapOut } from "../../api/schema";
import { distance, type ImageCircle, type ImagePoint, imageCircle, imagePoint } from "../geometry/types";
import type { FilmTool } from "../viewer/FilmViewer";

export type ScaleKind = ScaleChoice["kind"];

export interface BallFound {
  readonly circle: ImageCircle;
  readonly sd_px: number | null;
  /** The program's, until a hand changed it. */
  readonly found: boolean;
  readonly says: string;
}

export interface ScaleWork {
  readonly film: FilmPage;
  readonly at: ScaleKind | null;
  readonly ball: BallFound | null;
  readonly ruler: readonly ImagePoint[];
  readonly busy: boolean;
  /** The server's refusal, and what was refused: a person may have seen it and insist. */
  readonly refused: { readonly says: string; readonly body: ScaleIn; readonly canInsist: boolean } | null;
  readonly tool: FilmTool;
  readonly begin: (kind: ScaleKind) => void;
  readonly leave: () => void;
  readonly use: (body: ScaleIn) => void;
  readonly answerSide: (answer: SideLetterIn) => void;
}

/** A scale's fields, all empty but its kind. */
export const scaleIn = (kind: ScaleKind, given: Partial<ScaleIn> = {}): ScaleIn => ({
  kind,
  circle: null,
  circle_sd_px: null,
  diameter_mm: null,
  ruler: null,
  ruler_mm: null,
  magnification: null,
  source_detector_mm: null,
  object_detector_mm: null,
  settle: false,
  why: "",
  ...given,
});

export function useScale(first: FilmPage, side: "left" | "right", onFilm: (film: FilmPage) => void): ScaleWork {
  const [at, setAt] = useState<ScaleKind | null>(null);
  const [ball, setBall] = useState<BallFound | null>(null);
  const [ruler, setRuler] = useState<readonly ImagePoint[]>([]);
  const [busy, setBusy] = useState(false);
  const [refused, setRefused] = useState<ScaleWork["refused"]>(null);
  const now = useRef({ at, ball, ruler });
  now.current = { at, ball, ruler };
  const before = useRef({ ball, ruler });
  const id = first.film_id;
  const hip = first.hip_id;

  const findBall = useCallback(
    (click: ImagePoint) => {
      const body: SnapIn = { what: "ball", side, clicks: [[click[0], click[1]]], circle: null };
      setBusy(true);
      ask<SnapOut>("POST", path("/api/films", id, {}, "/snap"), body)
        .then(
          (found) => {
            if (found.circle) {
              const [c, r, radius] = found.circle;
              const says = [found.says, found.ask].filter(Boolean).join(" ");
              setBall({ circle: imageCircle(c, r, radius), sd_px: found.circle_sd_px, found: true, says });
            } else setBall({ circle: imageCircle(click[0], click[1], HAND_RADIUS_PX), sd_px: null, found: false, says: `${found.says} Drag the circle's rim onto the ball.` });
          },
          (error: unknown) => {
            // The ball can still be ringed by hand.
            setBall({ circle: imageCircle(click[0], click[1], HAND_RADIUS_PX), sd_px: null, found: false, says: "Drag the circle's rim onto the ball." });
            setRefused({ says: (error as Error).message, body: scaleIn("ball"), canInsist: false });
          },
        )
        .finally(() => setBusy(false));
    },
    [id, side],
  );

  const tool: FilmTool = {
    places: at === "ball" || at === "ruler",
    hit: (point, reach) => {
      const { at, ball, ruler } = now.current;
      if (at === "ruler") {
        const index = ruler.findIndex((end) => distance(end, point) <= reach);
        return index < 0 ? null : `end:${index}`;
      }
      if (at !== "ball" || !ball) return null;
      const away = distance([ball.circle[0], ball.circle[1]], point);
      if (Math.abs(away - ball.circle[2]) <= reach * 0.7) return "rim";
      return away <= reach ? "centre" : null;
    },
    click: (point, target) => {
      if (target !== null) return;
      if (now.current.at === "ball") findBall(point);
      if (now.current.at === "ruler") setRuler((ends) => (ends.length >= 2 ? [point] : [...ends, point]));
    },
    begin: () => {
      before.current = { ball: now.current.ball, ruler: now.current.ruler };
    },
    drag: (target, start, point) => {
      const held = before.current;
      if (target.startsWith("end:")) {
        const index = Number(target.slice(4));
        return setRuler(held.ruler.map((end, i) => (i === index ? imagePoint(end[0] + point[0] - start[0], end[1] + point[1] - start[1]) : end)));
      }
      if (!held.ball) return;
      const [c, r, radius] = held.ball.circle;
      const moved =
        target === "centre"
          ? imageCircle(c + point[0] - start[0], r + point[1] - start[1], radius)
          : imageCircle(c, r, Math.max(2, radius + distance([c, r], point) - distance([c, r], start)));
      setBall({ circle: moved, sd_px: null, found: false, says: "Ringed by hand:" });
    },
    abandon: () => {
      setBall(before.current.ball);
      setRuler(before.current.ruler);
    },
  };

  const put = useCallback(
    (where: "/scale" | "/side", body: ScaleIn | SideLetterIn) => {
      setBusy(true);
      ask<FilmPage>("PUT", path("/api/films", id, { hip }, where), body)
        .then(
          (film) => {
            setRefused(null);
            setAt(null);
            onFilm(film);
          },
          (error: unknown) => {
            const says = error instanceof Error ? error.message : String(error);
            const canInsist = error instanceof Stopped && error.stop.guard !== null && where === "/scale";
            setRefused({ says, body: "kind" in body ? body : scaleIn("none"), canInsist });
          },
        )
        .finally(() => setBusy(false));
    },
    [id, hip, onFilm],
  );

  return {
    film: first,
    at,
    ball,
    ruler,
    busy,
    refused,
    tool,
    begin: (kind) => {
      setRefused(null);
      setAt(kind);
    },
    leave: () => {
      setAt(null);
      setRefused(null);
    },
    use: (body) => put("/scale", body),
    answerSide: (answer) => put("/side", answer),
  };
}

/** A circle to begin with where no ball was found. */
const HAND_RADIUS_PX = 60;

export const toWire = (point: ImagePoint): [number, number] => [point[0], point[1]];
