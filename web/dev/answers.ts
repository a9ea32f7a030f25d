/**
 * Invented answers for work on the pages without a server. Development only: this is a
 * plugin of the dev server and never part of the build.
 *
 * `GET /api/hips/alder.right` is answered by `dev/fixtures/hips.alder.right.json`; a PUT or
 * POST by `put.….json` / `post.….json` where there is one, else by the file of the GET.
 * `?` queries are ignored except `?find=`, which empties the list when it finds nothing.
 * `HEADSTOCK_FIXTURES=folder` lies over them: the answers about a scan (`dev/scan_fixtures.py`), too large to keep here.
 */

import { existsSync, readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import type { IncomingMessage, ServerResponse } from "node:http";
import type { Plugin } from "vite";

const FOLDERS = [process.env["HEADSTOCK_FIXTURES"], fileURLToPath(new URL("./fixtures", import.meta.url))].filter((folder) => folder !== undefined);

const TYPES = [
  ["json", "application/json"],
  ["bin", "application/octet-stream"],
  ["png", "image/png"],
  ["jpg", "image/jpeg"],
] as const;

export function devAnswers(): Plugin {
  return {
    name: "headstock-dev-answers",
    apply: "serve",
    configureServer(server) {
      server.middlewares.use("/api", (request: IncomingMessage, response: ServerResponse) => {
        const name = (request.url ?? "/").split("?")[0]?.split("/").filter(Boolean).map(decodeURIComponent).join(".") ?? "";
        const method = (request.method ?? "GET").toLowerCase();
        if (method === "post" && name.endsWith(".stock.cut")) return void cutAnswer(request, response, name);
        const candidates = method === "get" ? [name] : [`${method}.${name}`, name];
        for (const candidate of candidates) {
          for (const [ending, type] of TYPES) {
            const file = FOLDERS.map((folder) => `${folder}/${candidate}.${ending}`).find((path) => existsSync(path));
            if (file) {
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

/** A dragged cut: the level's own answer, moved to the depth that was asked for. */
async function cutAnswer(request: IncomingMessage, response: ServerResponse, name: string): Promise<void> {
  let text = "";
  for await (const part of request) text += String(part);
  const asked = JSON.parse(text) as { level: string; depth_mm: number };
  const file = FOLDERS.map((folder) => `${folder}/post.${name}.${asked.level}.json`).find((path) => existsSync(path));
  if (!file) {
    response.statusCode = 404;
    response.end(JSON.stringify({ stopped: "No invented answer.", guard: null, detail: null }));
    return;
  }
  const level = JSON.parse(readFileSync(file, "utf8")) as { depth: { value: number }; drawing: { shapes: { points: [number, number][] }[] } | null };
  const by = asked.depth_mm - level.depth.value;
  level.depth.value = asked.depth_mm;
  for (const shape of level.drawing?.shapes ?? []) shape.points = shape.points.map(([x, y]) => [x, y + by]);
  response.setHeader("Content-Type", "application/json");
  response.end(JSON.stringify(level));
}
