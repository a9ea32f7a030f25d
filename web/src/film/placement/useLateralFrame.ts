/**
 * Where anterior lies on a lateral film.
 *
 * A lateral film may be turned any way up; only the server knows. It is asked
 * once: the same placement 1 mm further anterior and 5° turned, and what moved
 * on the drawing answers.
 */

import { useEffect, useState } from "preact/hooks";
import { ask, at } from "../../api/client";
import type { Appraisal, FilmPage, PlacementIn } from "../../api/schema";
import { type FilmFrame, lateralFrame } from "../geometry/frame";
import { anatomyOf } from "./usePlacementTool";

const PROBE_MM = 1;
const PROBE_DEG = 5;

export function useLateralFrame(hip: string, film: FilmPage | null, placement: PlacementIn): FilmFrame | null {
  const [frame, setFrame] = useState<FilmFrame | null>(null);
  useEffect(() => {
    if (!film) return;
    const stop = new AbortController();
    const appraise = (moved: PlacementIn): Promise<Appraisal> =>
      ask<Appraisal>("POST", at("/api/hips", hip, {}, "/appraise"), moved, stop.signal);
    const { pose } = placement;
    Promise.all([
      appraise(placement),
      appraise({ ...placement, pose: { ...pose, y_mm: (pose.y_mm ?? 0) + PROBE_MM } }),
      appraise({ ...placement, pose: { ...pose, lateral_angle_deg: (pose.lateral_angle_deg ?? 0) + PROBE_DEG } }),
    ]).then(
      ([here, anterior, turned]) => setFrame(frameFrom(here, anterior, turned, film.grey.row_factor || 1)),
      () => undefined, // Without an answer the lateral film shows and is not dragged on.
    );
    return () => stop.abort();
  }, [hip, film?.film_id]);
  return frame;
}

export function frameFrom(here: Appraisal, anterior: Appraisal, turned: Appraisal, rowFactor: number): FilmFrame | null {
  const [a, b, c] = [here, anterior, turned].map((appraisal) => anatomyOf(appraisal.drawing_lateral));
  if (!a?.pivot || !b?.pivot || !a.axis || !c?.axis) return null;
  const second = [(b.pivot[0] - a.pivot[0]) / PROBE_MM, (b.pivot[1] - a.pivot[1]) / PROBE_MM] as const;
  if (Math.hypot(second[0], second[1]) < 1e-6) return null;
  const direction = (axis: readonly [readonly [number, number], readonly [number, number]]) =>
    [axis[1][0] - axis[0][0], (axis[1][1] - axis[0][1]) * rowFactor] as const;
  const [before, after] = [direction(a.axis), direction(c.axis)];
  // Rows run down: a positive cross product is clockwise on the picture.
  return lateralFrame(second, before[0] * after[1] - before[1] * after[0] > 0, rowFactor);
}
