/** Where the point goes: the schematic of a right hip, a ring round the place. A left hip looks at its mirror image. */

import type { JSX } from "preact";
import type { LandmarkInfo, LandmarkPage, Side, View } from "../../api/schema";

interface SchematicProps {
  page: LandmarkPage;
  view: View;
  landmark: LandmarkInfo;
  side: Side | null;
}

export function Schematic({ page, view, landmark, side }: SchematicProps): JSX.Element | null {
  const lines = page.schematics[view] ?? [];
  if (lines.length === 0) return null;
  const [x, y] = landmark.pictures?.[view] ?? landmark.picture;
  const mirrored = side === "left";
  const at = [(mirrored ? 1 - x : x) * 100, y * 100] as const;
  return (
    <svg class="rd-schematic" viewBox="0 0 100 100" role="img" aria-label={`Where it goes: ${landmark.says}`}>
      <g transform={mirrored && view !== "ap_pelvis" ? "translate(100 0) scale(-1 1)" : undefined}>
        {lines.map((d) => (
          <path key={d} d={d} fill="none" stroke="var(--ink-2)" stroke-width="1.4" stroke-linejoin="round" />
        ))}
      </g>
      <circle cx={at[0]} cy={at[1]} r="5" fill="none" stroke="var(--mark)" stroke-width="2" />
      <path d={`M${at[0] - 3} ${at[1]}h6M${at[0]} ${at[1] - 3}v6`} stroke="var(--mark)" stroke-width="1.2" />
    </svg>
  );
}
