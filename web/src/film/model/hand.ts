/**
 * An appraisal while a hand moves the part: the newest values in it, their intervals still to come.
 *
 * Values come from the desk; here they only take the places of the ones they replace. No number is computed.
 */

import type { Appraisal, Line, MovedAnswer } from "../../api/schema";

export const FOLLOWS = "follows when the hand rests";

export function withMoved(appraisal: Appraisal, answer: MovedAnswer): Appraisal {
  const found = new Map(answer.values.map((one) => [one.key, one]));
  return {
    ...appraisal,
    placement: answer.placement,
    lines: appraisal.lines.map((line) => moved(line, found.get(line.number.key))),
    binding: answer.binding,
    space: answer.space,
    ms: answer.ms,
  };
}

function moved(line: Line, to: MovedAnswer["values"][number] | undefined): Line {
  const { number } = line;
  // What a family or a definition fixes, and what this part cannot have, does not change under the hand.
  if (line.text !== null || number.kind !== "measured" || number.value === null) return line;
  if (!to) return { ...line, detail: null, number: { ...number, value: null, low: null, high: null, kind: "missing", reason: FOLLOWS } };
  return {
    ...line,
    detail: null,
    number: { ...number, value: to.value, low: null, high: null },
    limit: line.limit && to.state ? { ...line.limit, state: to.state } : line.limit,
  };
}
