import { Shell } from "../parts/Shell";
export function PatientsView() { return <Shell title="PatientsView"><p>-</p></Shell>; }
