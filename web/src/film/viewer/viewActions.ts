/** What every page with a film can do to it, by name, key and foot button. */

import type { Action } from "../../model/actions";
import { type ViewControl, ZOOM_STEP } from "./control";

export function viewActions(control: ViewControl): Action[] {
  return [
    { id: "film.light", title: "Light: drag or type the window", keys: ["l"], foot: "light", run: () => control.toggleLight() },
    { id: "film.invert", title: "Invert", keys: ["i"], foot: "invert", run: () => control.invert() },
    { id: "film.zoomIn", title: "Zoom in under the pointer", keys: ["z", "+", "="], foot: "zoom", written: "Z", run: () => control.zoom(ZOOM_STEP) },
    { id: "film.zoomOut", title: "Zoom out", keys: ["Shift+z", "-"], run: () => control.zoom(1 / ZOOM_STEP) },
    { id: "film.open", title: "Back to the first look", keys: ["0"], run: () => control.open() },
    { id: "film.whole", title: "The whole film", keys: ["f"], run: () => control.whole() },
    { id: "film.left", title: "Look further left", keys: ["Shift+ArrowLeft"], run: () => control.slideSteps(-1, 0) },
    { id: "film.right", title: "Look further right", keys: ["Shift+ArrowRight"], run: () => control.slideSteps(1, 0) },
    { id: "film.up", title: "Look further up", keys: ["Shift+ArrowUp"], run: () => control.slideSteps(0, -1) },
    { id: "film.down", title: "Look further down", keys: ["Shift+ArrowDown"], run: () => control.slideSteps(0, 1) },
  ];
}
