import { Shell } from "../parts/Shell";
export function LimitsView() { return <Shell title="LimitsView"><p>-</p></Shell>; }
