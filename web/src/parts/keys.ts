/** The keyboard: one listener, the scopes that lie on one another, and what was said about a closed action. */

import { actionFor, reachable, type Action, type Scope } from "../model/actions";
import { store } from "../model/store";

export const scopes = store<readonly Scope[]>([]);

/** A sentence for the foot of the page: why a key did nothing. Empties itself. */
export const said = store<string | null>(null);

let quiet: ReturnType<typeof setTimeout> | undefined;

/** Say a short sentence at the foot (and to a screen reader). */
export function say(words: string): void {
  said.set(words);
  clearTimeout(quiet);
  quiet = setTimeout(() => said.set(null), 6000);
}

/** Do an action, or say why it is closed. */
export function perform(action: Action): void {
  if (action.closed) say(action.closed);
  else action.run();
}

const NO_LETTERS = new Set(["button", "checkbox", "radio", "submit", "range", "file", "color"]);

function isTyping(target: EventTarget | null): boolean {
  if (!(target instanceof HTMLElement)) return false;
  if (target instanceof HTMLInputElement) return !NO_LETTERS.has(target.type);
  return target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement || target.isContentEditable;
}

/** Start listening. Returns a function that stops. */
export function listen(): () => void {
  const down = (event: KeyboardEvent): void => {
    if (event.defaultPrevented || event.isComposing) return;
    const onControl = event.target instanceof Element && event.target.closest("button, a[href], summary, select, input") !== null;
    const action = actionFor(scopes.get(), event, { typing: isTyping(event.target), onControl });
    if (!action) return;
    event.preventDefault();
    perform(action);
  };
  window.addEventListener("keydown", down);
  return () => window.removeEventListener("keydown", down);
}

/** Find an action by name among those that can be called now. */
export function named(id: string): Action | null {
  for (const { actions } of reachable(scopes.get())) for (const action of actions) if (action.id === id) return action;
  return null;
}
