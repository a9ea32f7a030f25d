import type { JSX } from "preact";
export function FilmsPage(_: { hip: string }): JSX.Element { return <p />; }
