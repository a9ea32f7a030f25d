/** Surfaces fetched once and kept: bone, lesion, components. */

import { askBytes } from "../../api/client";
import { type MeshData, meshOf } from "../geometry/section";

/** Surfaces held at once: those of two scans and a family's sizes. */
const HELD = 24;
const held = new Map<string, Promise<MeshData>>();

export function surface(path: string, valued = false): Promise<MeshData> {
  const known = held.get(path);
  if (known) return known;
  const asked = askBytes(path).then((bytes) => meshOf(bytes, valued));
  held.set(path, asked);
  asked.catch(() => held.delete(path));
  for (const oldest of held.keys()) {
    if (held.size <= HELD) break;
    held.delete(oldest);
  }
  return asked;
}

/** Where a component's surface is fetched: `family/size`. */
export const solidPath = (component: string): string => `/api/solids/${component.split("/").map(encodeURIComponent).join("/")}`;
