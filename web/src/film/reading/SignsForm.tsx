/** Signs of osteonecrosis as they are seen. The stage follows from them on the server; here is only what was looked at. */

import type { JSX } from "preact";
import type { MeasuresOut, ReadingState, Side, SignsIn } from "../../api/schema";
import { UNSEEN } from "../model/reading";

const ASKED: readonly (readonly [keyof SignsIn, string])[] = [
  ["film_abnormal", "film shows a change"],
  ["mri_abnormal", "MRI shows a change"],
  ["sclerosis", "sclerosis"],
  ["cysts", "cysts"],
  ["crescent", "crescent line"],
  ["flattening", "flattened head"],
  ["joint_space_narrowed", "joint space narrowed"],
  ["acetabular_changes", "socket changed"],
  ["joint_destroyed", "joint destroyed"],
];

const ANSWERS: readonly (readonly [boolean | null, string])[] = [
  [true, "yes"],
  [false, "no"],
  [null, "not looked at"],
];

interface SignsFormProps {
  see: (box: HTMLElement | null) => void;
  side: Side;
  state: ReadingState;
  measures: MeasuresOut | null;
  onSign: (sign: keyof SignsIn, seen: boolean | null, words: string) => void;
}

export function SignsForm({ see, side, state, measures, onSign }: SignsFormProps): JSX.Element {
  const signs = { ...UNSEEN, ...state.signs[side] };
  return (
    <section class="rd-signs" ref={see}>
      <h2>Signs seen, {side} hip</h2>
      {ASKED.map(([sign, words]) => (
        <fieldset key={sign}>
          <legend>{words}</legend>
          {ANSWERS.map(([answer, text]) => (
            <label key={text} class={signs[sign] === answer ? "on" : ""}>
              <input type="radio" name={`${side}.${sign}`} checked={signs[sign] === answer} onChange={() => onSign(sign, answer, words)} />
              {text}
            </label>
          ))}
        </fieldset>
      ))}
      <Stages measures={measures} />
    </section>
  );
}

export function Stages({ measures }: { measures: MeasuresOut | null }): JSX.Element | null {
  if (!measures || measures.stages.length === 0) return <p class="says">A stage is shown as soon as the signs decide one.</p>;
  return (
    <div class="rd-stages">
      <h2>Stage and what happened to such hips</h2>
      {measures.stages.map((row) => (
        <p key={row.system}>
          <b>
            {row.system} {row.stage}
          </b>
          <span>{row.counts}</span>
          <small>{row.source}</small>
        </p>
      ))}
    </div>
  );
}
