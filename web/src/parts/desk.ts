/** What the whole page shares: the installation, the reader's name, the saver. */

import { ask } from "../api/client";
import type { About } from "../api/schema";
import { NOBODY } from "../model/reader";
import { saver } from "../model/saver";
import { store } from "../model/store";

export const about = store<About | null>(null);

/** Name of who reads here; "" when nobody has said. */
export const readerName = (now: About | null): string => (now === null || now.reader === NOBODY ? "" : now.reader);

export async function loadAbout(): Promise<void> {
  about.set(await ask<About>("GET", "/api/about"));
}

export async function setReader(reader: string): Promise<void> {
  about.set(await ask<About>("PUT", "/api/reader", { reader }));
}

const shelf = {
  getItem: (key: string): string | null => {
    try {
      return window.localStorage.getItem(key);
    } catch {
      return null; // Storage closed by policy: saving still works, only a reload while the server is away loses.
    }
  },
  setItem: (key: string, value: string): void => {
    try {
      window.localStorage.setItem(key, value);
    } catch {
      // As above.
    }
  },
};

/** The one saver of the page. */
export const saves = saver((save) => ask(save.method, save.path, save.body), shelf);
