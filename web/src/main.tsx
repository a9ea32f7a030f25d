import "./styles/tokens.css";
import "./styles/base.css";
import "./styles/parts.css";
import "./styles/pages.css";
import { render } from "preact";
import { App } from "./App";
import { loadAbout, saves } from "./parts/desk";
import { resumeJobs } from "./parts/jobs";
import { listen } from "./parts/keys";

listen();
saves.resume();
// Either may fail while the server is away; the page itself says so.
void loadAbout().catch(() => undefined);
void resumeJobs().catch(() => undefined);
const root = document.getElementById("root");
if (root) render(<App />, root);
