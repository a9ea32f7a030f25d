/** The voxels of a scan, fetched once a version and kept while it is worked on. */

import { askBytes, at } from "../../api/client";
import type { ScanPage } from "../../api/schema";
import { littleEndian } from "../../film/grey/source";

export interface Volume {
  readonly grey: Int16Array;
  /** 0, 1 femur, 2 pelvis, 3 dead bone, 4 its uncertain rim. */
  readonly labels: Uint8Array;
}

/** Scans held at once: a working volume is some ten megabytes. */
const HELD = 2;
const greys = new Map<string, Promise<Int16Array>>();
const labels = new Map<string, Promise<Uint8Array>>();

function once<T>(all: Map<string, Promise<T>>, key: string, make: () => Promise<T>): Promise<T> {
  const known = all.get(key);
  if (known) return known;
  const asked = make();
  all.set(key, asked);
  asked.catch(() => all.delete(key));
  for (const oldest of all.keys()) {
    if (all.size <= HELD) break;
    all.delete(oldest);
  }
  return asked;
}

type Wanted = Pick<ScanPage, "scan_id" | "hip_id" | "grid" | "volume_version">;

const voxels = ({ grid }: Wanted): number => grid.columns * grid.rows * grid.slices;

/** Grey levels do not change with a correction, but the working volume may: its place is part of the key. */
export function greyVolume(page: Wanted): Promise<Int16Array> {
  const key = JSON.stringify([page.scan_id, page.hip_id, page.grid]);
  return once(greys, key, async () => {
    const stored = littleEndian(await askBytes(at("/api/scans", page.scan_id, { hip: page.hip_id, v: page.volume_version }, "/grey")));
    return whole(new Int16Array(stored.buffer, stored.byteOffset, stored.length), voxels(page));
  });
}

export function labelVolume(page: Wanted): Promise<Uint8Array> {
  return once(labels, `${page.scan_id} ${page.hip_id} ${page.volume_version}`, async () => whole(new Uint8Array(await askBytes(at("/api/scans", page.scan_id, { hip: page.hip_id, v: page.volume_version }, "/labels"))), voxels(page)));
}

function whole<T extends { readonly length: number }>(got: T, want: number): T {
  if (got.length < want) throw new RangeError(`The scan's voxels are cut short: ${got.length} of ${want} arrived. Open it again.`);
  return got;
}
