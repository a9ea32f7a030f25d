/** What a person types into a fact, and what is kept. No judgement of the value: the server has that. */

import type { FactField, FactIn } from "../api/schema";

export type FactValue = FactField["value"];

/** "78,5" and "78.5" are the same number; text that is no number is null with a reason. */
export function typedNumber(text: string): { value: number | null; wrong: string | null } {
  const plain = text.trim().replace(",", ".").replace("\u2212", "-");
  if (plain === "") return { value: null, wrong: null };
  if (!/^[-+]?\d*\.?\d+$/.test(plain)) return { value: null, wrong: `“${text.trim()}” is not a number` };
  return { value: Number(plain), wrong: null };
}

/** The value as it stands in its field. */
export function factText(field: Pick<FactField, "form" | "value">): string {
  if (field.value === null) return "";
  if (typeof field.value === "boolean") return field.value ? "yes" : "no";
  return String(field.value).replace(/^-/, "\u2212");
}

/** The fact to save after a change; a first value gets today's date, an emptied one keeps nothing. */
export function changedFact(field: FactField, change: Partial<FactIn>, today: string): FactIn {
  const value = "value" in change ? (change.value ?? null) : field.value;
  if (value === null || value === "") return { value: null, on: null, source: "" };
  return {
    value,
    on: change.on !== undefined ? change.on : (field.on ?? today),
    source: change.source ?? field.source ?? "",
  };
}

/** The field as it will look once saved. */
export function withFact(field: FactField, fact: FactIn): FactField {
  return { ...field, value: fact.value, on: fact.on ?? null, source: fact.source || null };
}

export interface FactStep {
  key: string;
  label: string;
  before: FactIn;
  after: FactIn;
}

export const factOf = (field: FactField): FactIn => ({ value: field.value, on: field.on, source: field.source ?? "" });

export const sameFact = (a: FactIn, b: FactIn): boolean => a.value === b.value && (a.on ?? null) === (b.on ?? null) && (a.source ?? "") === (b.source ?? "");
