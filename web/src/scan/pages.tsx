/** The pages with scans, fetched when one is first opened. */

import "../film/film.css";
import "./scan.css";

export { ScanPage } from "./room/ScanPage";
export { StockPage } from "./stock/StockPage";
