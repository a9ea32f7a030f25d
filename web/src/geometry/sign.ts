/**
 * Where the parts of a limit sign stand: posts for the limit, a bar for the interval,
 * a bead for the value. Drawn to scale, each sign on its own: the furthest of value,
 * interval and posts touches the edge, so a picture never contradicts the word beside it.
 */

export interface SignPlan {
  posts: number[];
  bar: readonly [number, number] | null;
  bead: number | null;
}

const MARGIN = 4;
/** Least length of the bar on the page, so that a certain value still shows one. */
const LEAST_BAR = 3;

export function signPlan(
  value: number | null,
  interval: readonly [number, number] | null,
  limit: { low: number | null; high: number | null },
  width: number,
): SignPlan {
  const posts = [limit.low, limit.high].filter((end): end is number => end !== null);
  if (value === null || posts.length === 0) {
    return { posts: posts.length === 2 ? [width * 0.3, width * 0.7] : posts.length === 1 ? [width * 0.6] : [], bar: null, bead: null };
  }
  const [low, high] = interval ?? [value, value];
  const all = [...posts, low, high, value];
  let [from, to] = [Math.min(...all), Math.max(...all)];
  if (posts.length === 1) {
    // One post stands in the middle: left of it is less, right of it is more, on every sign of a column.
    const post = posts[0] ?? 0;
    const reach = Math.max(post - from, to - post) || 1;
    [from, to] = [post - reach, post + reach];
  }
  const span = to - from || 1;
  const at = (x: number): number => MARGIN + ((x - from) / span) * (width - 2 * MARGIN);
  let bar: readonly [number, number] | null = null;
  if (interval) {
    const [a, b] = [at(low), at(high)];
    const short = Math.max(0, LEAST_BAR - (b - a)) / 2;
    bar = [a - short, b + short];
  }
  return { posts: posts.map(at), bar, bead: at(value) };
}
