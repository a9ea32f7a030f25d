/**
 * Named actions. A menu, a key and a button call the same one, so each is written once,
 * is listed under `?`, and can be tried without a page.
 *
 * Scopes lie on one another: the page's over the shell's, an open slip's over the page's.
 * The topmost action that wants a key gets it.
 */

export interface Action {
  /** Stable name, `place.keep`. */
  id: string;
  /** What it does, as its button and the keys panel say it. */
  title: string;
  /** Keys as `KeyboardEvent.key` spells them, with `Shift+`, `Ctrl+`, `Alt+` before; none for a button only. */
  keys: readonly string[];
  run: () => void;
  /** Why it cannot be done now. The button then shows the reason, and the key says it. */
  closed?: string | null;
  /** The one violet thing of the page: Enter does it. */
  violet?: boolean;
  /** Shown at the foot of the page, in these few words. */
  foot?: string;
  /** Also while the caret is in a field (Escape). */
  whileTyping?: boolean;
  /** How the foot writes the keys when it speaks for several actions: "← →", "1–4". */
  written?: string;
}

export interface Scope {
  name: string;
  actions: readonly Action[];
  /** Nothing below is reached: an open dialogue. */
  alone?: boolean;
}

export interface Pressed {
  key: string;
  shiftKey: boolean;
  ctrlKey: boolean;
  altKey: boolean;
  metaKey: boolean;
}

/** "Shift+u", "[", "?": shift is written only where it does not already change the character. */
export function chord(event: Pressed): string {
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const letterOrName = event.key.length > 1 || /[a-z]/i.test(event.key);
  return (
    (event.ctrlKey || event.metaKey ? "Ctrl+" : "") +
    (event.altKey ? "Alt+" : "") +
    (event.shiftKey && letterOrName ? "Shift+" : "") +
    key
  );
}

export interface Where {
  /** The caret is in a field that takes letters. */
  typing: boolean;
  /** Focus is on a thing with its own Enter or Space. */
  onControl: boolean;
}

/** The action that a key press means here, or null. */
export function actionFor(scopes: readonly Scope[], pressed: Pressed, where: Where): Action | null {
  const wanted = chord(pressed);
  for (let i = scopes.length - 1; i >= 0; i--) {
    const scope = scopes[i];
    if (!scope) continue;
    for (const action of scope.actions) {
      if (where.typing && !action.whileTyping) continue;
      const enter = wanted === "Enter" && (action.violet === true || action.keys.includes("Enter"));
      if (enter && where.onControl) continue;
      if (enter || action.keys.some((key) => normal(key) === wanted)) return action;
    }
    if (scope.alone) return null;
  }
  return null;
}

/** All actions that can be called now, topmost first, each id once. */
export function reachable(scopes: readonly Scope[]): { scope: string; actions: Action[] }[] {
  const seen = new Set<string>();
  const found: { scope: string; actions: Action[] }[] = [];
  for (const scope of [...scopes].reverse()) {
    const actions = scope.actions.filter((action) => !seen.has(action.id) && (seen.add(action.id), true));
    if (actions.length > 0) found.push({ scope: scope.name, actions });
    if (scope.alone) break;
  }
  return found;
}

const WRITTEN: Record<string, string> = {
  ArrowLeft: "←",
  ArrowRight: "→",
  ArrowUp: "↑",
  ArrowDown: "↓",
  Escape: "Esc",
  " ": "Space",
};

/** Keys as people read them: "Shift U", "←". At the foot an action may speak for its neighbours: "1–4". */
export function writtenKeys(action: Action, where: "foot" | "panel" = "panel"): string[] {
  if (where === "foot" && action.written) return [action.written];
  const keys = action.violet && !action.keys.includes("Enter") ? ["Enter", ...action.keys] : action.keys;
  return keys.map((key) =>
    key
      .split(/(?<=.)\+/)
      .map((part) => WRITTEN[part] ?? (part.length === 1 ? part.toUpperCase() : part))
      .join(" "),
  );
}

function normal(key: string): string {
  return key.length === 1 ? key.toLowerCase() : key.replace(/\+([A-Z])$/, (_, letter: string) => `+${letter.toLowerCase()}`);
}
