import { execFileSync } from "node:child_process";
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { expect, test } from "vitest";

const web = fileURLToPath(new URL("../../", import.meta.url));

test("types.ts is what the kept server document gives: else run `npm run types`", () => {
  const made = execFileSync("node_modules/.bin/openapi-typescript", ["openapi.json", "--default-non-nullable=false"], {
    cwd: web,
    encoding: "utf8",
    stdio: ["ignore", "pipe", "ignore"],
  });
  expect(readFileSync(`${web}src/api/types.ts`, "utf8").trim()).toBe(made.trim());
}, 30_000);

test("the lock file records no registry address", () => {
  const lock = readFileSync(`${web}package-lock.json`, "utf8");
  expect(lock).not.toContain('"resolved"');
});
