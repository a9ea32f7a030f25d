/** The one next thing of a reading: where to click, what was found, or where to go on. One violet button. */

import type { JSX } from "preact";
import type { LandmarkInfo, LandmarkPage, ReadingState, View } from "../../api/schema";
import type { Action } from "../../model/actions";
import { ActionPress } from "../../parts/Press";
import { sideOf } from "../model/reading";
import { Schematic } from "./Schematic";
import type { Mode } from "./useReadingTool";

interface NextBoxProps {
  mode: Mode;
  selected: string | null;
  state: ReadingState;
  landmark: LandmarkInfo | null;
  landmarks: LandmarkPage | null;
  view: View;
  label: string;
  place: { index: number; of: number };
  said: string | null;
  snapping: boolean;
  violet: Action;
  onward: Action;
  finding: string;
}

export function NextBox(props: NextBoxProps): JSX.Element {
  const { mode, selected, state, landmark, landmarks, view, label, place, said, snapping, violet, onward, finding } = props;
  if (mode.name === "asking") {
    return (
      <div class="rd-next">
        <div>
          <b>{label}: click three points on its outline</b>
          <span>
            {mode.clicks.length} of 3. {mode.ask}
          </span>
        </div>
      </div>
    );
  }
  if (mode.name === "outline") {
    return (
      <div class="rd-next">
        <div>
          <b>Outline {label}</b>
          <span>{mode.corners.length === 0 ? "Click along its rim, corner by corner." : `${mode.corners.length} corners. Backspace takes the last one away.`}</span>
        </div>
        <ActionPress action={violet} />
      </div>
    );
  }
  if (!selected) {
    return (
      <div class="rd-next">
        <div>
          <b>All points placed</b>
          <span>{finding || "Drag any mark to correct it; every step is kept."}</span>
        </div>
        <ActionPress action={onward} />
      </div>
    );
  }
  const outlined = selected in state.outlines;
  const placed = selected in state.points || outlined;
  const found = state.found.includes(selected);
  return (
    <div class="rd-next">
      {!placed && landmark && landmarks && <Schematic page={landmarks} view={view} landmark={landmark} side={sideOf(selected)} />}
      <div>
        <b>{label}</b>
        <span>
          {place.index > 0 && !outlined ? `point ${place.index} of ${place.of}. ` : ""}
          {snapping ? "Looking for its outline." : outlined ? "Drag its corners; click its edge for a new one; Delete takes it away." : words(placed, found, landmark, said)}
        </span>
      </div>
      {(placed || found) && <ActionPress action={violet} />}
    </div>
  );
}

function words(placed: boolean, found: boolean, landmark: LandmarkInfo | null, said: string | null): string {
  if (found) return said ?? "Found on the image; accept it or drag it.";
  if (placed) return "Yours. Drag it or nudge it with the arrows.";
  const snaps = landmark?.snaps_with ? " A rough click is enough." : "";
  return `${landmark?.says ?? "Click its place."}${snaps}`;
}
