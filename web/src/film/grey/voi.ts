/**
 * Values of interest: which grey a stored value is shown as.
 *
 * DICOM PS3.3 2024b C.11.2.1.2 (LINEAR, LINEAR_EXACT, SIGMOID) and C.11.2.1.1
 * (VOI LUT). Output is 0 to 1, before polarity. The same table of 65,536
 * entries drives the graphics card and the processor, so both show one picture.
 */

export type VoiFunction = "LINEAR" | "LINEAR_EXACT" | "SIGMOID" | "TABLE";

export interface Voi {
  readonly function: VoiFunction;
  readonly center: number;
  readonly width: number;
  /** VOI LUT output, 0 to 1, spread evenly over `tableSpan`. */
  readonly table?: readonly number[] | null;
  readonly tableSpan?: readonly [number, number] | null;
}

/** Narrowest window per function: LINEAR needs 1 (C.11.2.1.2.1), the others more than 0. */
export const leastWidth = (fn: VoiFunction): number => (fn === "LINEAR" ? 1 : 1e-6);

/** Grey 0 to 1 of one value after the modality transformation. */
export function greyOf(value: number, voi: Voi): number {
  const { center: c, width: w } = voi;
  switch (voi.function) {
    case "LINEAR": {
      // The standard's half-steps: c − 0.5 and w − 1.
      if (value <= c - 0.5 - (w - 1) / 2) return 0;
      if (value > c - 0.5 + (w - 1) / 2) return 1;
      return (value - (c - 0.5)) / (w - 1) + 0.5;
    }
    case "LINEAR_EXACT": {
      if (value <= c - w / 2) return 0;
      if (value > c + w / 2) return 1;
      return (value - c) / w + 0.5;
    }
    case "SIGMOID":
      return 1 / (1 + Math.exp((-4 * (value - c)) / w));
    case "TABLE":
      return fromTable(value, voi);
  }
}

function fromTable(value: number, voi: Voi): number {
  const { table, tableSpan } = voi;
  if (!table || table.length === 0 || !tableSpan) return greyOf(value, { ...voi, function: "LINEAR_EXACT" });
  const [first, last] = tableSpan;
  const at = last === first ? 0 : ((value - first) / (last - first)) * (table.length - 1);
  // C.11.2.1.1: below the first value mapped the first entry, above the last the last.
  const held = Math.min(table.length - 1, Math.max(0, at));
  const low = Math.floor(held);
  const a = table[low] ?? 0;
  const b = table[Math.min(low + 1, table.length - 1)] ?? a;
  return a + (b - a) * (held - low);
}

/** Grey 0 to 255 of every stored value; polarity last (PS3.4 N.2). */
export function greyTable(
  voi: Voi,
  slope: number,
  intercept: number,
  inverted: boolean,
  into: Uint8ClampedArray = new Uint8ClampedArray(65536),
): Uint8ClampedArray {
  for (let stored = 0; stored < 65536; stored++) {
    const grey = greyOf(stored * slope + intercept, voi) * 255;
    into[stored] = inverted ? 255 - grey : grey;
  }
  return into;
}

/**
 * A drag over the film: right widens, down darkens by raising the centre.
 * A full canvas width changes the width by the whole range of the film.
 */
export function draggedWindow(
  voi: Voi,
  moved: readonly [number, number],
  canvas: { readonly width: number; readonly height: number },
  range: readonly [number, number],
): Voi {
  const span = Math.max(1e-6, range[1] - range[0]);
  const width = Math.max(leastWidth(voi.function), voi.width + (moved[0] / canvas.width) * span);
  const center = voi.center + (moved[1] / canvas.height) * span;
  return { ...voi, function: voi.function === "TABLE" ? "LINEAR" : voi.function, center, width };
}
