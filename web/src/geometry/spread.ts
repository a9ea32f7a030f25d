/** Things that want to stand at given places on a line but may not touch: moved as little as order allows. */

/**
 * New centres, in the order given. Each is at least `room` from its neighbours and all
 * lie between `from` and `to` as far as there is room; without room they start at `from`.
 */
export function spread(wanted: readonly number[], room: number, from: number, to: number): number[] {
  const order = wanted.map((at, i) => ({ at, i })).sort((a, b) => a.at - b.at || a.i - b.i);
  const placed: number[] = [];
  for (const { at } of order) placed.push(Math.max(at, from, (placed.at(-1) ?? -Infinity) + room));
  let limit = to;
  for (let k = placed.length - 1; k >= 0; k--) {
    placed[k] = Math.max(from + k * room, Math.min(placed[k] ?? 0, limit));
    limit = (placed[k] ?? 0) - room;
  }
  const out = new Array<number>(wanted.length).fill(0);
  order.forEach(({ i }, k) => (out[i] = placed[k] ?? 0));
  return out;
}
