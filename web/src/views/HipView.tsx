import { Shell } from "../parts/Shell";
export function HipView({ hip }: { hip: string }) { return <Shell title="HipView"><p>{hip}</p></Shell>; }
