import { Shell } from "../parts/Shell";
export function NowhereView() { return <Shell title="NowhereView"><p>-</p></Shell>; }
