/** The pages with films, fetched when one is first opened. */

import "./film.css";

export { FilmPage } from "./scale/FilmPage";
export { ReadingPage } from "./reading/ReadingPage";
export { PlacementPage } from "./placement/PlacementPage";
export { FilmsPage } from "./FilmsPage";
