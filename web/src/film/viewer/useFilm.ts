/** The control of a film page: made once per film, with the look the page opens with. */

import { useMemo } from "preact/hooks";
import type { FilmPage, Side, View } from "../../api/schema";
import { sideWords } from "../../model/format";
import { type MmPerPx, mmPerPx } from "../geometry/types";
import type { Voi } from "../grey/voi";
import { type Opening, ViewControl } from "./control";

export function useFilm(film: FilmPage, opening: Opening): ViewControl {
  return useMemo(() => {
    const { grey } = film;
    const shape = { columns: grey.cols, rows: grey.rows, rowFactor: grey.row_factor || 1, range: [grey.low, grey.high] as const };
    const presets: Voi[] = grey.voi.map((option) => ({
      function: option.function,
      center: option.center,
      width: option.width,
      table: option.table,
      tableSpan: option.table ? ([option.table_first ?? grey.low, grey.high] as const) : null,
    }));
    return new ViewControl(shape, presets, grey.inverted, opening);
  }, [film.film_id]);
}

export const scaleOf = (film: FilmPage): MmPerPx | null =>
  film.scale.in_use?.value == null || !film.scale.settled ? null : mmPerPx(film.scale.in_use.value);

/** The words in the corners of a film. A pelvis has both; until a reader has confirmed the letter they carry a question mark. */
export function cornersOf(
  film: Pick<FilmPage, "columns_to_left" | "side_letter">,
  view: View | null,
  side: Side,
): { left: string | null; right: string | null; open: boolean } {
  if (view !== "ap_pelvis") return { left: sideWords(side), right: null, open: false };
  if (film.columns_to_left === null) return { left: "Side open", right: null, open: true };
  const open = film.side_letter === null;
  const [left, right] = film.columns_to_left ? ["Right", "Left"] : ["Left", "Right"];
  return { left: open ? `${left}?` : `${left}`, right: open ? `${right}?` : `${right}`, open };
}
