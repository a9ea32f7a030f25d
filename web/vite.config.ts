import { defineConfig } from "vitest/config";
import { devAnswers } from "./dev/answers.ts";

// HEADSTOCK_API=http://127.0.0.1:8765 npm run dev talks to a running server;
// without it the invented answers of dev/fixtures stand in. Neither reaches the build.
const server = process.env["HEADSTOCK_API"];

export default defineConfig({
  base: "/",
  plugins: server ? [] : [devAnswers()],
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  server: { host: "127.0.0.1", strictPort: true, ...(server ? { proxy: { "/api": server } } : {}) },
  build: {
    outDir: "../src/headstock/static",
    emptyOutDir: true,
    assetsInlineLimit: 0,
    target: "es2022",
    // Readable in a hospital's proxy log: one script, one style sheet, lazy image work.
    chunkSizeWarningLimit: 300,
  },
  test: { environment: "node", include: ["src/**/*.test.ts", "src/**/*.test.tsx"] },
});
