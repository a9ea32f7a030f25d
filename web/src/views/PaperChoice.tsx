/** A4 or Letter: kept for this browser. */

import type { JSX } from "preact";
import { useStore } from "../parts/hooks";
import { paper, setPaper, type Paper } from "./printing";

const PAPERS: readonly { key: Paper; words: string }[] = [
  { key: "a4", words: "A4" },
  { key: "letter", words: "Letter" },
];

export function PaperChoice(): JSX.Element {
  const now = useStore(paper);
  return (
    <span class="yesno" role="radiogroup" aria-label="Paper">
      {PAPERS.map(({ key, words }) => (
        <button key={key} type="button" role="radio" aria-checked={now === key} class={now === key ? "on" : ""} onClick={() => setPaper(key)}>
          {words}
        </button>
      ))}
    </span>
  );
}
