/** Which component, head, neck and cup: named buttons, the present one violet. */

import type { JSX } from "preact";
import type { PlacementIn, PlacementPage } from "../../api/schema";
import { digits } from "../../model/format";

interface PartsProps {
  page: PlacementPage;
  placement: PlacementIn;
  onPick: (placement: PlacementIn, what: string) => void;
}

/** Sizes shown at once: the present one and its neighbours, so that a long family does not fill the panel. */
const SHOWN = 5;
const FEW = 3;

export function around<T>(all: readonly T[], at: number, shown = SHOWN): readonly T[] {
  const start = Math.max(0, Math.min(at - Math.floor(shown / 2), all.length - shown));
  return all.slice(start, start + shown);
}

export function SizeButtons({ page, placement, onPick }: PartsProps): JSX.Element {
  const sizes = page.sizes.filter((size) => size.family === placement.family);
  const index = sizes.findIndex((size) => size.size === placement.size);
  return (
    <span class="pl-sizes" role="group" aria-label="Size of the component">
      <span>size</span>
      {around(sizes, index).map((size) => {
        const on = size.size === placement.size;
        return (
          <button key={size.size} type="button" class={on ? "on" : ""} aria-pressed={on} title={size.words} onClick={() => onPick({ ...placement, family: size.family, size: size.size }, `size ${size.size}`)}>
            {size.size}
          </button>
        );
      })}
    </span>
  );
}

export function OtherParts({ page, placement, onPick }: PartsProps): JSX.Element {
  const cup = placement.cup;
  const cupAt = page.cup_sizes.findIndex((size) => size.size === cup?.size);
  const headAt = page.heads.findIndex((head) => head === placement.head_mm);
  const families = [...new Set(page.sizes.map((size) => size.family))];
  return (
    <div class="pl-parts">
      {families.length > 1 && (
        <Row
          name="family"
          options={families.map((family) => {
            const own = page.sizes.filter((size) => size.family === family);
            const size = own.find((other) => other.size === placement.size) ?? own[Math.floor(own.length / 2)];
            return {
              words: (size?.words ?? family).split(", size")[0] ?? family,
              on: family === placement.family,
              pick: () => size && onPick({ ...placement, family, size: size.size }, `family ${family}`),
            };
          })}
        />
      )}
      {page.heads.length > 0 && (
        <Row
          name="head"
          options={around(page.heads, headAt, FEW).map((head) => ({
            words: digits(head, Number.isInteger(head) ? 0 : 1),
            on: head === placement.head_mm,
            pick: () => onPick({ ...placement, head_mm: head }, `head ${head} mm`),
          }))}
        />
      )}
      {page.neck_lengths.length > 0 && (
        <Row
          name="neck"
          options={page.neck_lengths.map((neck) => ({
            words: Number.isFinite(Number(neck)) ? digits(Number(neck), Number.isInteger(Number(neck)) ? 0 : 1, true) : neck,
            on: neck === placement.neck_length,
            pick: () => onPick({ ...placement, neck_length: neck }, `neck ${neck}`),
          }))}
        />
      )}
      {page.cup_sizes.length > 0 && cup && (
        <Row
          name="cup"
          options={around(page.cup_sizes, cupAt, FEW).map((size) => ({
            words: size.size,
            on: size.size === cup.size,
            pick: () => onPick({ ...placement, cup: { ...cup, family: size.family, size: size.size } }, `cup ${size.size}`),
          }))}
        />
      )}
      {cup && (
        <p>
          <span>cup at</span>
          <b>{digits(cup.inclination_deg, 1)}</b> by <b>{digits(cup.version_deg, 1)}</b> deg
        </p>
      )}
    </div>
  );
}

function Row({ name, options }: { name: string; options: readonly { words: string; on: boolean; pick: () => void | undefined }[] }): JSX.Element {
  return (
    <p role="group" aria-label={name}>
      <span>{name}</span>
      {options.map((option) => (
        <button key={option.words} type="button" class={option.on ? "on" : ""} aria-pressed={option.on} onClick={option.pick}>
          {option.words}
        </button>
      ))}
    </p>
  );
}
