/** What the hand is drawing on a slice: the stroke, the plane of a cut and the side that goes away. Violet: the reader's. */

import type { JSX } from "preact";
import { CASING, Line, Words } from "../../film/viewer/marks";
import { useStore } from "../../parts/hooks";
import { pathOf } from "../../geometry/path";
import { type PlaneLook, type PlaneName, toPane } from "../geometry/plane";
import { along, dot, scale } from "../geometry/vec";
import type { Corrections } from "./useCorrections";

export function CorrectionMarks({ hand, look, name }: { hand: Corrections; look: PlaneLook; name: PlaneName }): JSX.Element {
  const stroke = useStore(hand.stroke);
  const cut = useStore(hand.cut);
  return (
    <g>
      {stroke?.plane === name && (
        <g fill="none" stroke-linecap="round" stroke-linejoin="round">
          <path d={pathOf([...stroke.points, ...stroke.points.slice(-1)].map((point) => toPane(look, point)), false)} stroke={hand.tool === "eraser" ? CASING : "var(--mark)"} stroke-opacity=".5" stroke-width={2 * hand.radius_mm * look.pxPerMm} />
          <path d={pathOf(stroke.points.map((point) => toPane(look, point)), false)} stroke="var(--mark)" stroke-width="1.4" />
        </g>
      )}
      {cut && cut.plane === name && <CutLine look={look} cut={cut} words={hand.label} />}
    </g>
  );
}

/** Strokes beside the line, on the side that goes away. */
const TEETH_PX = 9;

function CutLine({ look, cut, words }: { look: PlaneLook; cut: NonNullable<ReturnType<Corrections["cut"]["get"]>>; words: string }): JSX.Element {
  const long = 400;
  const direction = scale([cut.b[0] - cut.a[0], cut.b[1] - cut.a[1], cut.b[2] - cut.a[2]], 1 / Math.hypot(cut.b[0] - cut.a[0], cut.b[1] - cut.a[1], cut.b[2] - cut.a[2]));
  const [from, to] = [toPane(look, along(cut.a, direction, -long)), toPane(look, along(cut.b, direction, long))];
  const [a, b] = [toPane(look, cut.a), toPane(look, cut.b)];
  const away: [number, number] = [dot(cut.normal, look.facing.right) * TEETH_PX, dot(cut.normal, look.facing.down) * TEETH_PX];
  const count = Math.max(2, Math.round(Math.hypot(b[0] - a[0], b[1] - a[1]) / 8));
  const teeth = Array.from({ length: count + 1 }, (_, i) => {
    const [x, y] = [a[0] + ((b[0] - a[0]) * i) / count, a[1] + ((b[1] - a[1]) * i) / count];
    return `M${x} ${y}l${away[0]} ${away[1]}`;
  }).join("");
  return (
    <g>
      <Line points={[from, to]} colour="var(--mark)" width={1.6} dash="7 4" />
      <Line points={[a, b]} colour="var(--mark)" width={2.6} />
      <path d={teeth} stroke="var(--mark)" stroke-width="1.4" />
      <Words at={[(a[0] + b[0]) / 2 + away[0] * 2.6, (a[1] + b[1]) / 2 + away[1] * 2.6 + 4]} colour="var(--mark)" size={12}>
        {words === "lesion" ? "dead bone goes on this side" : `${words} goes on this side`}
      </Words>
    </g>
  );
}
