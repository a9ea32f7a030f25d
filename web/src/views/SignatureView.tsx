import { Shell } from "../parts/Shell";
export function SignatureView({ hip }: { hip: string }) { return <Shell title="SignatureView"><p>{hip}</p></Shell>; }
