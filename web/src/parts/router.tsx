/** The address bar as a store, and links that do not reload. */

import type { ComponentChildren, JSX } from "preact";
import { routeOf, type Route } from "../model/routes";
import { store } from "../model/store";
import { useStore } from "./hooks";

const path = store(window.location.pathname);
window.addEventListener("popstate", () => path.set(window.location.pathname));

/** Go to a page of this installation. */
export function go(to: string, replace = false): void {
  if (to === window.location.pathname) return;
  if (replace) window.history.replaceState(null, "", to);
  else window.history.pushState(null, "", to);
  path.set(window.location.pathname);
  window.scrollTo(0, 0);
}

export function useRoute(): Route {
  return routeOf(useStore(path));
}

type LinkProps = Omit<JSX.IntrinsicElements["a"], "href"> & { to: string; children: ComponentChildren };

/** A link inside headstock. With a modifier key the browser does what it always does. */
export function Link({ to, children, ...rest }: LinkProps): JSX.Element {
  return (
    <a
      {...rest}
      href={to}
      onClick={(event) => {
        if (event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
        event.preventDefault();
        go(to);
      }}
    >
      {children}
    </a>
  );
}
