/** Light: the window typed, the film's own windows, polarity. Open while a plain drag changes the window. */

import type { JSX } from "preact";
import type { VoiOption } from "../../api/schema";
import { useStore } from "../../parts/hooks";
import type { ViewControl } from "./control";

export function LightPanel({ control, options }: { control: ViewControl; options: readonly VoiOption[] }): JSX.Element {
  const voi = useStore(control.voi);
  const inverted = useStore(control.inverted);
  return (
    <div class="fv-panel" role="group" aria-label="Light of this film">
      <label>
        centre
        <Typed value={voi.center} onTyped={(center) => control.typeWindow(center, control.voi.get().width)} />
      </label>
      <label>
        width
        <Typed value={voi.width} onTyped={(width) => control.typeWindow(control.voi.get().center, width)} />
      </label>
      {options.map((option, index) => (
        <button
          type="button"
          key={option.words}
          class={option.center === voi.center && option.width === voi.width ? "on" : ""}
          onClick={() => control.usePreset(index)}
        >
          {option.words}
        </button>
      ))}
      <button type="button" class={inverted ? "on" : ""} aria-pressed={inverted} onClick={() => control.invert()}>
        inverted
      </button>
      <button type="button" onClick={() => control.toggleLight()}>
        close
      </button>
    </div>
  );
}

function Typed({ value, onTyped }: { value: number; onTyped: (value: number) => void }): JSX.Element {
  const shown = Math.abs(value) >= 100 ? value.toFixed(0) : String(Number(value.toPrecision(4)));
  return (
    <input
      inputMode="decimal"
      value={shown}
      onChange={(event) => {
        const typed = Number(event.currentTarget.value.replace(",", ".").replace("−", "-"));
        if (event.currentTarget.value.trim() !== "" && Number.isFinite(typed)) onTyped(typed);
      }}
    />
  );
}
