/** Theatre sheets: the server makes the PDF; a refusal is said in its words. */

import { askBytes, at } from "../api/client";
import { store } from "../model/store";
import { say } from "../parts/keys";

export type Paper = "a4" | "letter";

const KEY = "headstock.paper";

function kept(): Paper {
  try {
    return window.localStorage.getItem(KEY) === "letter" ? "letter" : "a4";
  } catch {
    return "a4";
  }
}

export const paper = store<Paper>(kept());

export function setPaper(next: Paper): void {
  paper.set(next);
  try {
    window.localStorage.setItem(KEY, next);
  } catch {
    // Storage closed by policy: the choice holds for this visit.
  }
}

/** Open a signed plan's sheet, or the draft of a hip (with DRAFT across it), ready to print. */
export async function printSheet(of: { plan: string } | { hip: string }): Promise<string | null> {
  const query = { paper: paper.get() };
  const path = "plan" in of ? at("/api/plans", of.plan, query, "/sheet.pdf") : at("/api/hips", of.hip, query, "/sheet.pdf");
  try {
    const bytes = await askBytes(path);
    const url = URL.createObjectURL(new Blob([bytes], { type: "application/pdf" }));
    if (!window.open(url, "_blank")) window.location.assign(url);
    setTimeout(() => URL.revokeObjectURL(url), 120_000);
    return null;
  } catch (error) {
    const words = (error as Error).message;
    say(words);
    return words;
  }
}
