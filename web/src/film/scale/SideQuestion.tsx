/** What letter do you see, and where? And which view is it? Asked of a person: a header is silent or wrong too often. */

import type { JSX } from "preact";
import { useState } from "preact/hooks";
import type { FilmPage, Side, SideLetterIn, View } from "../../api/schema";
import { Press } from "../../parts/Press";
import { columnsToLeft, columnsToLeftByPelvis, type Half, type Seen, wantsHalf } from "../model/side";

const VIEWS: readonly (readonly [View, string])[] = [
  ["ap_pelvis", "pelvis, AP"],
  ["ap_hip", "hip, AP"],
  ["lateral_hip", "hip, lateral"],
];
const LETTERS: readonly (readonly [Seen, string])[] = [
  ["right", "R"],
  ["left", "L"],
  ["both", "both"],
  ["none", "no letter"],
];
const HALVES: readonly Half[] = ["left half", "right half"];

interface SideQuestionProps {
  film: FilmPage;
  side: Side;
  /** It is the next thing to do: its button is the violet one. */
  first: boolean;
  onAnswer: (answer: SideLetterIn) => void;
}

export function SideQuestion({ film, side, first, onAnswer }: SideQuestionProps): JSX.Element {
  const answered = film.side_letter !== null;
  const [open, setOpen] = useState(!answered);
  const [view, setView] = useState<View | null>(film.card.view);
  const [seen, setSeen] = useState<Seen | null>(film.side_letter);
  const [half, setHalf] = useState<Half | null>(null);
  const asks = wantsHalf(view, seen);
  const complete = view !== null && seen !== null && (asks === null || half !== null);
  const send = (): void => {
    if (!complete || !seen) return;
    const direction = half === null ? null : asks === "pelvis" ? columnsToLeftByPelvis(side, half) : columnsToLeft(seen, half);
    onAnswer({ seen, columns_to_left: direction, view });
    setOpen(false);
  };
  return (
    <section class="fp-side">
      <h2>Side and view</h2>
      <table>
        <tbody>
          {film.side_evidence.map((row) => (
            <tr key={row.place + row.read_by}>
              <th scope="row">{placeWords(row.place, film.card.words)}</th>
              <td>{row.says}</td>
              <td class={row.agrees === false ? "outside" : "faint"}>{row.agrees === false ? "does not agree" : row.read_by}</td>
            </tr>
          ))}
        </tbody>
      </table>
      {!open && (
        <Press kind="plain" onPress={() => setOpen(true)}>
          {answered ? "Look at the letter again" : "Say what letter you see"}
        </Press>
      )}
      {open && (
        <div class="fp-asked">
          <Choices legend="This film shows" name="view" options={VIEWS} value={view} onPick={setView} />
          <Choices legend="What letter do you see?" name="letter" options={LETTERS} value={seen} onPick={setSeen} />
          {asks === "letter" && (
            <Choices
              legend={seen === "both" ? "Where does the R stand in the picture?" : "Where does it stand in the picture?"}
              name="half"
              options={HALVES.map((which) => [which, which] as const)}
              value={half}
              onPick={setHalf}
            />
          )}
          {asks === "pelvis" && (
            <Choices legend="In which half does the pelvis lie?" name="half" options={HALVES.map((which) => [which, which] as const)} value={half} onPick={setHalf} />
          )}
          <Press kind={first ? "do" : "rest"} onPress={send} closed={complete ? null : "Answer each line first"}>
            This is what I see
          </Press>
        </div>
      )}
    </section>
  );
}

/** The page is this film's already: "letter on the image", not "AP pelvis film of 9 Nov, letter on the image". */
export const placeWords = (place: string, film: string): string => (place.startsWith(`${film}, `) ? place.slice(film.length + 2) : place);

interface ChoicesProps<T extends string> {
  legend: string;
  name: string;
  options: readonly (readonly [T, string])[];
  value: T | null;
  onPick: (value: T) => void;
}

export function Choices<T extends string>({ legend, name, options, value, onPick }: ChoicesProps<T>): JSX.Element {
  return (
    <fieldset class="choices">
      <legend>{legend}</legend>
      {options.map(([key, words]) => (
        <label key={key} class={value === key ? "on" : ""}>
          <input type="radio" name={name} checked={value === key} onChange={() => onPick(key)} />
          {words}
        </label>
      ))}
    </fieldset>
  );
}
