/** Grey levels of films, fetched once and kept while they are being worked on. */

import { askBytes, at } from "../../api/client";
import type { GreyInfo } from "../../api/schema";
import { Pyramid } from "./pyramid";

/** Films held at once: the two of a hip, and the two of the other one. */
const HELD = 4;
const held = new Map<string, Promise<Pyramid>>();

export function greyFilm(filmId: string, info: GreyInfo): Promise<Pyramid> {
  const known = held.get(filmId);
  if (known) {
    held.delete(filmId);
    held.set(filmId, known);
    return known;
  }
  const asked = askBytes(at("/api/films", filmId, {}, "/grey")).then(
    (bytes) => new Pyramid(info.rows, info.cols, littleEndian(bytes)),
  );
  held.set(filmId, asked);
  asked.catch(() => held.delete(filmId));
  for (const oldest of held.keys()) {
    if (held.size <= HELD) break;
    held.delete(oldest);
  }
  return asked;
}

/** The wire is little-endian whatever the machine. */
export function littleEndian(bytes: ArrayBuffer): Uint16Array {
  const whole = bytes.byteLength & ~1;
  if (new Uint8Array(new Uint16Array([1]).buffer)[0] === 1) return new Uint16Array(bytes, 0, whole / 2);
  const view = new DataView(bytes, 0, whole);
  return Uint16Array.from({ length: whole / 2 }, (_, i) => view.getUint16(i * 2, true));
}
