/** Sending files, with how far it is: `fetch` cannot tell. */

import type { JobOut, Stop } from "./schema";
import { NotReached, Stopped } from "./client";

export interface NamedFile {
  /** Path inside what was dropped, `export/DICOM/IM0001`. */
  name: string;
  file: File;
}

/** POST the files to the import. `heard` gets the share sent, 0 to 1. */
export function sendFiles(files: readonly NamedFile[], heard: (share: number) => void, signal: AbortSignal): Promise<JobOut> {
  const form = new FormData();
  for (const { name, file } of files) form.append("files", file, name);
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", "/api/import");
    request.responseType = "json";
    request.upload.onprogress = (event) => heard(event.lengthComputable ? event.loaded / event.total : 0);
    request.onerror = () => reject(new NotReached("The headstock server does not answer. The files were not sent; drop them again when it runs."));
    request.onabort = () => reject(new DOMException("Stopped by you.", "AbortError"));
    request.onload = () => {
      if (request.status < 300) return resolve(request.response as JobOut);
      const stop = request.response as Partial<Stop> | null;
      reject(new Stopped(request.status, { guard: null, detail: null, stopped: stop?.stopped ?? `The server refused the files (${request.status}).` }));
    };
    signal.addEventListener("abort", () => request.abort());
    request.send(form);
  });
}
