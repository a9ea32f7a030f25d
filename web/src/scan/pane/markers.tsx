/** Head sphere, neck and shaft axes on a slice: as found, blue; faint where they lie off the slice. */

import type { JSX } from "preact";
import type { MarkerOut } from "../../api/schema";
import { Line, Words } from "../../film/viewer/marks";
import { beyond, circleOf, type PlaneLook, toPane } from "../geometry/plane";
import type { Vec } from "../geometry/vec";
import { CASING } from "../../film/viewer/marks";

/** Nearer than this to the slice an axis is drawn whole, mm. */
const ON_SLICE_MM = 2;

export function Markers({ markers, look, cross, quiet = false }: { markers: readonly MarkerOut[]; look: PlaneLook; cross: Vec; quiet?: boolean }): JSX.Element {
  return (
    <g>
      {markers.map((marker) => (
        <Marker key={marker.key} marker={marker} look={look} cross={cross} quiet={quiet} />
      ))}
    </g>
  );
}

function Marker({ marker, look, cross, quiet }: { marker: MarkerOut; look: PlaneLook; cross: Vec; quiet: boolean }): JSX.Element | null {
  const [a, b] = marker.points;
  if (!a) return null;
  if (marker.kind === "sphere" && marker.radius_mm !== null) {
    const circle = circleOf(look, cross, a, marker.radius_mm);
    if (!circle) return null;
    return (
      <g fill="none">
        <circle cx={circle.at[0]} cy={circle.at[1]} r={circle.r} stroke={CASING} stroke-width="3.4" stroke-opacity=".5" />
        <circle cx={circle.at[0]} cy={circle.at[1]} r={circle.r} stroke="var(--ink)" stroke-width="1.2" stroke-dasharray="7 4" />
      </g>
    );
  }
  if (marker.kind === "line" && b) {
    const off = [beyond(look.facing, cross, a), beyond(look.facing, cross, b)] as const;
    const crosses = off[0] * off[1] < 0;
    const near = Math.abs(off[0]) < ON_SLICE_MM && Math.abs(off[1]) < ON_SLICE_MM;
    const [p, q] = [toPane(look, a), toPane(look, b)];
    if (!near && !crosses) return null;
    if (!near) {
      const t = off[0] / (off[0] - off[1]);
      const at: [number, number] = [p[0] + (q[0] - p[0]) * t, p[1] + (q[1] - p[1]) * t];
      return (
        <g>
          <circle cx={at[0]} cy={at[1]} r="3.6" fill={CASING} stroke="var(--ink)" stroke-width="1.4" />
          {!quiet && (
            <Words at={[at[0] + 8, at[1] - 6]} anchor="start" size={11.5} weight={460}>
              {marker.label}
            </Words>
          )}
        </g>
      );
    }
    return (
      <g>
        <Line points={[p, q]} width={1.1} dash="9 3 2 3" />
        {!quiet && (
          <Words at={[Math.min(look.width - 40, q[0] + 8), Math.min(look.height - 30, Math.max(30, q[1]))]} anchor="start" size={11.5} weight={460}>
            {marker.label}
          </Words>
        )}
      </g>
    );
  }
  const at = toPane(look, a);
  return Math.abs(beyond(look.facing, cross, a)) > ON_SLICE_MM * 2 ? null : <circle cx={at[0]} cy={at[1]} r="4" fill="none" stroke="var(--ink)" stroke-width="1.6" />;
}
