import { Shell } from "../parts/Shell";
export function ComparisonView({ hip }: { hip: string }) { return <Shell title="ComparisonView"><p>{hip}</p></Shell>; }
