/**
 * Invented answers for work on the pages without a server. Development only: this is a
 * plugin of the dev server and never part of the build.
 *
 * `GET /api/hips/alder.right` is answered by `dev/fixtures/hips.alder.right.json`; a PUT or
 * POST by `put.….json` / `post.….json` where there is one, else by the file of the GET.
 * `?` queries are ignored except `?find=`, which empties the list when it finds nothing.
 */

import { existsSync, readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import type { IncomingMessage, ServerResponse } from "node:http";
import type { Plugin } from "vite";

const FOLDER = fileURLToPath(new URL("./fixtures/", import.meta.url));

export function devAnswers(): Plugin {
  return {
    name: "headstock-dev-answers",
    apply: "serve",
    configureServer(server) {
      server.middlewares.use("/api", (request: IncomingMessage, response: ServerResponse) => {
        const name = (request.url ?? "/").split("?")[0]?.split("/").filter(Boolean).map(decodeURIComponent).join(".") ?? "";
        const method = (request.method ?? "GET").toLowerCase();
        const candidates = method === "get" ? [name] : [`${method}.${name}`, name];
        for (const candidate of candidates) {
          for (const [ending, type] of [
            ["json", "application/json"],
            ["bin", "application/octet-stream"],
            ["png", "image/png"],
            ["jpg", "image/jpeg"],
          ] as const) {
            const file = `${FOLDER}${candidate}.${ending}`;
            if (existsSync(file)) {
              response.setHeader("Content-Type", type);
              response.end(readFileSync(file));
              return;
            }
          }
        }
        response.statusCode = 404;
        response.setHeader("Content-Type", "application/json");
        response.end(JSON.stringify({ stopped: `No invented answer for ${method.toUpperCase()} ${name}.`, guard: null, detail: null }));
      });
    },
  };
}
