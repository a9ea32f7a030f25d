/** A sheet over the page. Escape or a press beside it closes; focus stays inside and goes back. */

import type { ComponentChildren, JSX } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { useActions } from "./hooks";
import { Press } from "./Press";

export function Panel({ title, name = "Panel", close, children }: { title: string; name?: string; close: () => void; children: ComponentChildren }): JSX.Element {
  const self = useRef<HTMLDivElement>(null);
  useActions(name, [{ id: "panel.close", title: "Close", keys: ["Escape", "?"], run: close, whileTyping: true }], true);
  useEffect(() => {
    const before = document.activeElement as HTMLElement | null;
    self.current?.querySelector<HTMLElement>("button, input, a[href]")?.focus();
    return () => before?.focus({ preventScroll: true });
  }, []);
  return (
    <div class="veil" onPointerDown={(event) => event.target === event.currentTarget && close()}>
      <div class="panel" ref={self} role="dialog" aria-modal="true" aria-label={title} tabIndex={-1} onKeyDown={(event) => stayInside(event, self.current)}>
        <header>
          <h2>{title}</h2>
          <Press kind="plain" onPress={close} hint="Esc">
            Close
          </Press>
        </header>
        {children}
      </div>
    </div>
  );
}

function stayInside(event: KeyboardEvent, box: HTMLElement | null): void {
  if (event.key !== "Tab" || !box) return;
  const stops = [...box.querySelectorAll<HTMLElement>("a[href],button,input,select,textarea,[tabindex='0']")];
  const [first, last] = [stops[0], stops.at(-1)];
  if (!first || !last) return;
  if (event.shiftKey && (document.activeElement === first || document.activeElement === box)) {
    event.preventDefault();
    last.focus();
  } else if (!event.shiftKey && document.activeElement === last) {
    event.preventDefault();
    first.focus();
  }
}
