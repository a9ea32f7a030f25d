/** Buttons. One violet one a page; a closed one is dashed and its label is the reason. */

import type { ComponentChildren, JSX } from "preact";
import { writtenKeys, type Action } from "../model/actions";
import { perform, say } from "./keys";

interface PressProps {
  children: ComponentChildren;
  onPress: () => void;
  kind?: "do" | "rest" | "plain";
  size?: "sm" | "lg";
  /** Why it cannot be pressed now; shown instead of the label. */
  closed?: string | null | undefined;
  /** A key that does the same. */
  hint?: string | undefined;
  expanded?: boolean;
}

export function Press({ children, onPress, kind = "rest", size, closed, hint, expanded }: PressProps): JSX.Element {
  const name = ["btn", closed ? "shut" : kind === "rest" ? "" : kind, size ?? ""].filter(Boolean).join(" ");
  return (
    <button
      type="button"
      class={name}
      aria-disabled={closed ? true : undefined}
      aria-expanded={expanded}
      onClick={closed ? () => say(closed) : onPress}
    >
      {closed ?? children}
      {hint && !closed && <kbd>{hint}</kbd>}
    </button>
  );
}

/** The button of a named action. */
export function ActionPress({ action, kind, size, hint = true }: { action: Action; kind?: PressProps["kind"]; size?: PressProps["size"]; hint?: boolean }): JSX.Element {
  const keys = writtenKeys(action).filter((key) => key !== "Enter");
  return (
    <Press kind={kind ?? (action.violet ? "do" : "rest")} {...(size ? { size } : {})} closed={action.closed} onPress={() => perform(action)} hint={hint ? keys[0] : undefined}>
      {action.title}
    </Press>
  );
}
