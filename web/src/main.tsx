import "./styles/tokens.css";
import "./styles/base.css";
import "./styles/parts.css";
import "./styles/pages.css";
import { render } from "preact";
import { App } from "./App";
import { keeperKey } from "./model/steps";
import { loadAbout, saves } from "./parts/desk";
import { resumeJobs } from "./parts/jobs";
import { listen } from "./parts/keys";

listen();
saves.resume();
// Either may fail while the server is away; the page itself says so.
void loadAbout().catch(() => undefined);
const unsent = unsentSteps();
if (unsent.length > 0) void import("./film/keepers").then(({ resumeSteps }) => resumeSteps(unsent));
void resumeJobs().catch(() => undefined);

/** Steps of readings and placements that an earlier visit left in this browser. */
function unsentSteps(): string[] {
  try {
    return Object.keys(window.localStorage).filter((key) => keeperKey(key) !== null);
  } catch {
    return []; // Storage closed by policy: then nothing was left there either.
  }
}

const root = document.getElementById("root");
if (root) render(<App />, root);
