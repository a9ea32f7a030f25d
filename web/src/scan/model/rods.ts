/** Densities of calibration rods as typed: numbers with spaces, semicolons or commas before a space between; null when one is no number. */

export function rodDensities(typed: string): number[] | null {
  const parts = typed.split(/[\s;]+|,\s+/).filter((part) => part !== "");
  const numbers = parts.map((part) => Number(part.replace(",", ".")));
  return numbers.every((number) => Number.isFinite(number)) ? numbers : null;
}
