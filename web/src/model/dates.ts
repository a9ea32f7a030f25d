/** Dates as people type them. Day before month, or the month in letters; never month before day. */

const MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];

/**
 * "9 Nov 2026", "9.11.2026", "2026-11-09", "9 november 26" → "2026-11-09". Empty is no date.
 * Numbers with a slash are refused when both readings exist: 11/09 is November to some and
 * September to others, and a date beside a measurement must not depend on who reads it.
 */
export function typedDate(text: string): { date: string | null; wrong: string | null } {
  const plain = text.trim().toLowerCase();
  if (plain === "") return { date: null, wrong: null };
  const iso = /^(\d{4})-(\d{1,2})-(\d{1,2})$/.exec(plain);
  if (iso) return made(Number(iso[1]), Number(iso[2]), Number(iso[3]), text);
  const dotted = /^(\d{1,2})\s*([./])\s*(\d{1,2})\s*[./]\s*(\d{4}|\d{2})$/.exec(plain);
  if (dotted) {
    const [day, month, year] = [Number(dotted[1]), Number(dotted[3]), fullYear(dotted[4] ?? "")];
    if (dotted[2] === "/" && day <= 12 && month <= 12 && day !== month) {
      return { date: null, wrong: `“${text.trim()}” can be read two ways. Write the month in letters: 9 Nov 2026.` };
    }
    return made(year, month, day, text);
  }
  const lettered = /^(\d{1,2})\.?\s*([a-z]{3,})\.?,?\s*(\d{4}|\d{2})$/.exec(plain);
  if (lettered) return made(fullYear(lettered[3] ?? ""), MONTHS.indexOf((lettered[2] ?? "").slice(0, 3)) + 1, Number(lettered[1]), text);
  return { date: null, wrong: `“${text.trim()}” is not a date. Write it as 9 Nov 2026.` };
}

function fullYear(digits: string): number {
  return digits.length === 2 ? 2000 + Number(digits) : Number(digits);
}

function made(year: number, month: number, day: number, text: string): { date: string | null; wrong: string | null } {
  const at = new Date(Date.UTC(year, month - 1, day));
  if (month < 1 || at.getUTCFullYear() !== year || at.getUTCMonth() !== month - 1 || at.getUTCDate() !== day) {
    return { date: null, wrong: `“${text.trim()}” is not a day of the calendar. Write it as 9 Nov 2026.` };
  }
  return { date: at.toISOString().slice(0, 10), wrong: null };
}
