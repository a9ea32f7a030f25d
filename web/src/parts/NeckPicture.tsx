/** One placement in its neck: depth rule, cut, legend. The side stands on it in words. */

import type { JSX } from "preact";
import type { Appraisal, Side } from "../api/schema";
import { graduations, ruler } from "../geometry/ruler";
import { cutDepth, cutLine, depthsShown, labelDepth } from "../model/comparison";
import { digits, sideWords } from "../model/format";
import { DrawingDefs, Legend, rolesOf, Shapes } from "./Drawing";

const RULE = 44;

export function NeckPicture({ appraisal, side, height }: { appraisal: Appraisal; side: Side; height: number }): JSX.Element {
  const { from, to } = depthsShown([appraisal]);
  const depth = ruler(from, to, 2, height - 16);
  const scale = depth.at(1) - depth.at(0);
  const width = RULE + 62 * scale;
  const axis = RULE + 31 * scale;
  const cut = cutDepth(appraisal);
  const line = cutLine(appraisal, (RULE + 4 - axis) / scale, (width - axis) / scale);
  const drawing = { ...appraisal.drawing_neck, shapes: appraisal.drawing_neck.shapes.filter((shape) => shape.role !== "cut") };
  return (
    <figure class="neckpicture">
      <svg width={width} height={height} role="img" aria-label={`${sideWords(side)}: ${appraisal.title}, ${appraisal.family_words}, neck axis upright`}>
        <DrawingDefs id="neck" />
        <clipPath id="neck-clip">
          <rect x={RULE + 4} y="0" width={width - RULE - 4} height={height - 14} />
        </clipPath>
        <g clip-path="url(#neck-clip)">
          <Shapes drawing={drawing} to={([x, y]) => [axis + x * scale, depth.at(y)]} id="neck-one" patterns="neck" rim={scale * 1.9} />
        </g>
        <path d={`M${RULE - 4} ${depth.at(0)}V${height - 14}`} stroke="var(--ink)" stroke-width="1.6" />
        {graduations(0, to, 10).map((mm) => (
          <g key={mm}>
            <path d={`M${RULE - 11} ${depth.at(mm)}H${RULE - 4}`} stroke="var(--ink)" stroke-width="1.4" />
            {mm % 20 === 0 && (
              <text x={RULE - 14} y={depth.at(mm) + 4} font-size="12" font-weight="600" text-anchor="end" fill="var(--ink)">
                {mm}
              </text>
            )}
          </g>
        ))}
        {cut !== null && (
          <g>
            {line && <path d={`M${RULE + 4} ${depth.at(line[0][1])}L${width} ${depth.at(line[1][1])}`} class="d-cut chosen" />}
            <text class="cased" x={width - 4} y={depth.at(line ? labelDepth(line, 84 / scale) : cut) + 15} font-size="13" font-weight="680" text-anchor="end" fill="var(--mark)">
              cut {digits(cut, 1)} mm
            </text>
          </g>
        )}
        <text class="cased" x={RULE + 8} y="13" font-size="13" font-weight="700" fill="var(--ink)">
          {sideWords(side)}
        </text>
        <text x={RULE + 8} y={height - 2} font-size="11.5" fill="var(--ink-2)">
          lateral
        </text>
        <text x={width - 4} y={height - 2} font-size="11.5" text-anchor="end" fill="var(--ink-2)">
          medial
        </text>
      </svg>
      <figcaption>
        <span class="k">mm below top of head</span>
        <Legend roles={rolesOf([appraisal.drawing_neck])} id="neck-legend" />
      </figcaption>
    </figure>
  );
}
