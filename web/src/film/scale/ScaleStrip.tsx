/** The scale of a film beside its reading: in use, the others and how far apart. Leads to the film page. */

import type { JSX } from "preact";
import type { FilmPage, ScaleChoice } from "../../api/schema";
import { digits } from "../../model/format";
import { pathOfRoute } from "../../model/routes";
import { Num } from "../../parts/Num";
import { Link } from "../../parts/router";

export function ScaleStrip({ film, hip }: { film: FilmPage; hip: string }): JSX.Element {
  const { scale } = film;
  const rows = scale.choices.filter((choice) => choice.scale !== null);
  const to = pathOfRoute({ page: "film", hip, film: film.film_id });
  return (
    <section class="rd-scale">
      <h2>
        <Link to={to}>Scale</Link>
      </h2>
      <p>
        {scale.in_use && scale.settled ? <Num n={scale.in_use} /> : <span class="warn">{scale.contradiction ?? "no scale: angles and ratios only"}</span>}
      </p>
      {rows.length > 0 && (
        <table>
          <tbody>
            {rows.map((choice) => (
              <tr key={choice.kind} class={choice.in_use ? "on" : ""}>
                <td title={choice.words}>{SOURCE_WORDS[choice.kind]}</td>
                <td>{largerWords(choice)}</td>
                <td>{choice.in_use ? "in use" : apart(choice, scale.contradiction !== null)}</td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      {rows.length === 0 && <p class="says">{scale.says}</p>}
    </section>
  );
}

/** A source in a line's length; its own words are in the why of its number. */
const SOURCE_WORDS: Readonly<Record<ScaleChoice["kind"], string>> = {
  ball: "marker ball",
  ruler: "ruler",
  calibrated_header: "header, calibrated",
  detector_and_distance: "header, detector and distances",
  typed_magnification: "typed magnification",
  none: "none",
};

export const largerWords = (choice: ScaleChoice): string =>
  choice.larger_percent === null ? "" : `${digits(choice.larger_percent, 1)} % larger`;

function apart(choice: ScaleChoice, stands: boolean): JSX.Element | string {
  return choice.apart_percent === null ? "" : <span class={stands ? "warn" : ""}>{digits(Math.abs(choice.apart_percent), 1)} % apart</span>;
}
