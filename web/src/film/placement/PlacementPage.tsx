import type { JSX } from "preact";
export function PlacementPage(_: { hip: string }): JSX.Element { return <p />; }
