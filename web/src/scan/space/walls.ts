/** The colour map of wall thickness: 0 to 8 mm, dark is thin (tokens, `--map-wall`). */

export const WALL_MAP = ["#5b1908", "#6f3218", "#824b2a", "#94643f", "#a67d55", "#b8966d", "#c9b087", "#dccba3", "#efe5c0"] as const;
/** Where nothing was measured. */
export const NO_WALL = "#8b9794";
export const WALL_TOP_MM = 8;

/** Linear light of one sRGB channel, 0 to 1 (IEC 61966-2-1): vertex colours are mixed in linear light. */
export const linear = (channel: number): number => (channel <= 0.04045 ? channel / 12.92 : ((channel + 0.055) / 1.055) ** 2.4);

const rgb = (hex: string): [number, number, number] => [1, 3, 5].map((at) => linear(parseInt(hex.slice(at, at + 2), 16) / 255)) as [number, number, number];
const STOPS = WALL_MAP.map(rgb);
const NONE = rgb(NO_WALL);

/** Linear-light colours of every vertex. */
export function wallColours(walls_mm: Float32Array): Float32Array {
  const out = new Float32Array(walls_mm.length * 3);
  walls_mm.forEach((wall, i) => {
    const colour = Number.isFinite(wall) ? between(wall) : NONE;
    out.set(colour, i * 3);
  });
  return out;
}

function between(wall_mm: number): [number, number, number] {
  const at = Math.min(1, Math.max(0, wall_mm / WALL_TOP_MM)) * (STOPS.length - 1);
  const low = Math.min(STOPS.length - 2, Math.floor(at));
  const [a, b] = [STOPS[low] as [number, number, number], STOPS[low + 1] as [number, number, number]];
  const t = at - low;
  return [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t, a[2] + (b[2] - a[2]) * t];
}
