/** A placement as it is moved: old value in, new value out. Millimetres and degrees of the film frame; no DOM. */

import type { CupIn, PlacementIn, PoseIn } from "../../api/schema";

export type Part = "component" | "cup";
export type Film = "ap" | "lateral";

const withPose = (placement: PlacementIn, pose: Partial<PoseIn>): PlacementIn => ({ ...placement, pose: { ...placement.pose, ...pose } });

const withCup = (placement: PlacementIn, cup: Partial<CupIn>): PlacementIn =>
  placement.cup ? { ...placement, cup: { ...placement.cup, ...cup } } : placement;

/** Slide a part: on the AP film medial and proximal, on the lateral film only anterior (its depth belongs to the AP film). */
export function slid(placement: PlacementIn, part: Part, film: Film, first_mm: number, second_mm: number): PlacementIn {
  const { pose, cup } = placement;
  if (film === "lateral") return part === "component" ? withPose(placement, { y_mm: (pose.y_mm ?? 0) + second_mm }) : placement;
  if (part === "cup" && cup) return withCup(placement, { x_mm: cup.x_mm + first_mm, z_mm: cup.z_mm + second_mm });
  return part === "component" ? withPose(placement, { x_mm: pose.x_mm + first_mm, z_mm: pose.z_mm + second_mm }) : placement;
}

/** Turn a part about its own origin. Positive is more valgus (component, AP), more anterior (lateral), steeper (cup). */
export function turned(placement: PlacementIn, part: Part, film: Film, by_deg: number): PlacementIn {
  const { pose, cup } = placement;
  if (part === "cup") return film === "ap" && cup ? withCup(placement, { inclination_deg: cup.inclination_deg + by_deg }) : placement;
  return film === "ap"
    ? withPose(placement, { ap_angle_deg: pose.ap_angle_deg + by_deg })
    : withPose(placement, { lateral_angle_deg: (pose.lateral_angle_deg ?? 0) + by_deg });
}

export const versioned = (placement: PlacementIn, by_deg: number): PlacementIn =>
  placement.cup ? withCup(placement, { version_deg: placement.cup.version_deg + by_deg }) : placement;

/** What moved between two placements, so that a drawing can follow a hand before its numbers arrive. */
export interface Moved {
  readonly first_mm: number;
  readonly second_mm: number;
  readonly turn_deg: number;
}

export function movedBetween(from: PlacementIn, to: PlacementIn, part: Part, film: Film): Moved {
  if (part === "cup") {
    if (!from.cup || !to.cup || film === "lateral") return STILL;
    // The drawing of a cup is not turned by hand: its ellipse follows from two angles, which is the server's to draw.
    return { first_mm: to.cup.x_mm - from.cup.x_mm, second_mm: to.cup.z_mm - from.cup.z_mm, turn_deg: 0 };
  }
  const [a, b] = [from.pose, to.pose];
  return film === "ap"
    ? { first_mm: b.x_mm - a.x_mm, second_mm: b.z_mm - a.z_mm, turn_deg: b.ap_angle_deg - a.ap_angle_deg }
    : { first_mm: 0, second_mm: (b.y_mm ?? 0) - (a.y_mm ?? 0), turn_deg: (b.lateral_angle_deg ?? 0) - (a.lateral_angle_deg ?? 0) };
}

export const STILL: Moved = { first_mm: 0, second_mm: 0, turn_deg: 0 };

export const samePlacement = (a: PlacementIn, b: PlacementIn): boolean => JSON.stringify(rounded(a)) === JSON.stringify(rounded(b));

function rounded(value: unknown): unknown {
  if (typeof value === "number") return Math.round(value * 1e6) / 1e6;
  if (typeof value !== "object" || value === null) return value;
  return Object.fromEntries(
    Object.entries(value)
      .sort(([a], [b]) => a.localeCompare(b))
      .map(([key, inner]) => [key, rounded(inner)]),
  );
}
