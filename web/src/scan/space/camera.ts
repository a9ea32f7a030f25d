/** The one camera of all pictures in space: orthographic, so that millimetres are the same everywhere in a picture. */

import type { Side } from "../../api/schema";
import { store, type Store } from "../../model/store";
import { FRONTAL, neckFacing } from "../geometry/plane";
import { cross, scale, turnedAbout, unit, type Vec } from "../geometry/vec";

/** How a picture lies before it is turned: right and up as seen. */
export interface Base {
  readonly right: Vec;
  readonly up: Vec;
}

export interface Camera {
  /** Turned to the right and up from the base, degrees. */
  readonly yaw_deg: number;
  readonly pitch_deg: number;
  /** Height of what is in sight, mm. */
  readonly height_mm: number;
  /** Slid across the picture, mm. */
  readonly slide: readonly [number, number];
}

/** Height of the first look, mm: head, neck and what a component reaches. */
export const FIRST_HEIGHT_MM = 150;

export const FIRST: Camera = { yaw_deg: 0, pitch_deg: 0, height_mm: FIRST_HEIGHT_MM, slide: [0, 0] };

/** As the drawings lie: neck upright, medial at the right; from the front before the neck is known. */
export function baseOf(neck: readonly [Vec, Vec, Vec] | null, side: Side): Base {
  if (!neck) return { right: FRONTAL.right, up: scale(FRONTAL.down, -1) };
  const facing = neckFacing(neck, side);
  return { right: facing.right, up: scale(facing.down, -1) };
}

/** Where the camera's own axes point: `toward` from the bone to the reader. */
export function axesOf(base: Base, camera: Pick<Camera, "yaw_deg" | "pitch_deg">): { right: Vec; up: Vec; toward: Vec } {
  const turned = unit(turnedAbout(base.right, base.up, camera.yaw_deg));
  const up = unit(turnedAbout(base.up, turned, camera.pitch_deg));
  return { right: turned, up, toward: cross(turned, up) };
}

/** Turned by a drag of so many degrees; never over the top. */
export function turned(camera: Camera, right_deg: number, up_deg: number): Camera {
  return { ...camera, yaw_deg: ((camera.yaw_deg - right_deg + 540) % 360) - 180, pitch_deg: Math.max(-90, Math.min(90, camera.pitch_deg + up_deg)) };
}

export const zoomedTo = (camera: Camera, factor: number): Camera => ({ ...camera, height_mm: Math.min(600, Math.max(20, camera.height_mm / factor)) });

const cameras = new Map<string, Store<Camera>>();

/** One camera a hip, whichever page shows it. */
export function cameraOf(hip: string): Store<Camera> {
  let known = cameras.get(hip);
  if (!known) cameras.set(hip, (known = store(FIRST)));
  return known;
}
