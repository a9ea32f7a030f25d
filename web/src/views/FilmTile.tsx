/** A film as it hangs from its date: picture, side in words, and what is open about it. */

import type { JSX } from "preact";
import type { FilmCard } from "../api/schema";
import { at } from "../api/client";
import { dateWords, sideWords, viewWords } from "../model/format";
import { Link } from "../parts/router";

const STATE: Record<FilmCard["state"], string> = {
  ready: "",
  no_scale: "no scale",
  side_open: "side not confirmed",
  side_wrong: "side does not agree",
  stale: "old",
  set_aside: "set aside",
};

/** What wants doing with a film, in two or three words; "" when nothing does. */
export function filmOpen(film: FilmCard): string {
  return STATE[film.state] || (film.read ? "" : "not read yet");
}

export const filmSide = (film: FilmCard): string => (film.side === null ? "both hips" : sideWords(film.side).toLowerCase());

/** What kind of film, in two words. */
export const filmName = (film: FilmCard): string => (film.view === null ? film.words : viewWords[film.view].replace(" film", "").replace(/^./, (letter) => letter.toUpperCase()));

export function FilmTile({ film, hip, left, top, size }: { film: FilmCard; hip: string; left: number; top: number; size: number; today: string }): JSX.Element {
  const open = filmOpen(film);
  const page = film.read ? "reading" : "film";
  return (
    <Link
      to={`/hip/${encodeURIComponent(hip)}/${page}/${encodeURIComponent(film.film_id)}`}
      class={`tile ${open ? "open" : ""} ${film.state}`}
      style={{ left: `${left}px`, top: `${top}px`, width: `${size}px` }}
      title={`${film.words}, ${filmSide(film)}`}
    >
      <img src={at("/api/films", film.film_id, {}, "/thumb.png")} width={size} height={size} alt={`${film.words}, ${filmSide(film)}`} loading="lazy" onError={(event) => (event.currentTarget.style.visibility = "hidden")} />
      <b>{open || filmName(film)}</b>
      <span>{dateWords(film.taken)}</span>
    </Link>
  );
}
