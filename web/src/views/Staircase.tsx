/** Four pictures on one depth rule: the cuts form a staircase. Neck axis upright in each. */

import type { JSX } from "preact";
import type { Appraisal, Comparison, Level, Side } from "../api/schema";
import { graduations, ruler } from "../geometry/ruler";
import { digits, sideWords } from "../model/format";
import { at } from "../api/client";
import { cutDepth, cutLine, depthsShown, labelDepth, placeTag } from "../model/comparison";
import { DrawingDefs, Shapes } from "../parts/Drawing";
import { useSize } from "../parts/hooks";

interface StaircaseProps {
  comparison: Comparison;
  levels: readonly Appraisal[];
  /** Width of the first column, which holds the rule. */
  margin: number;
  side: Side;
  choose: (level: Level) => void;
  /** The server's pictures in space instead of the sections: one camera for all levels. */
  space: boolean;
}

const RULE_AT = 18;

export function Staircase({ comparison, levels, margin, side, choose, space }: StaircaseProps): JSX.Element {
  const [see, { width, height }] = useSize<HTMLDivElement>();
  const { from, to } = depthsShown(levels);
  const depth = ruler(from, to, 4, Math.max(5, height - 16));
  const scale = (depth.at(1) - depth.at(0)) || 1;
  const column = levels.length > 0 ? (width - margin) / levels.length : 0;
  const rule = margin - RULE_AT;
  const sound = comparison.sound_bone_from;
  const step = scale < 3 ? 20 : 10;
  if (space) return <InSpace comparison={comparison} levels={levels} margin={margin} side={side} choose={choose} />;
  return (
    <div class="stair" ref={see}>
      {height > 40 && width > 0 && (
        <svg width={width} height={height} viewBox={`0 0 ${width} ${height}`} role="img" aria-label="Best placement at each cut level, on one depth rule">
          <DrawingDefs id="stair" />
          {levels.map((level, i) => {
            const left = margin + i * column;
            const axis = left + column / 2;
            const name = level.placement.level;
            const chosen = comparison.chosen === name;
            const cut = cutDepth(level);
            const line = cutLine(level, (8 - column / 2) / scale, (column / 2 - 8) / scale);
            return (
              <g key={name} class="pick" onClick={() => choose(name)}>
                <clipPath id={`stair-clip-${i}`}>
                  <rect x={left + 3} y="0" width={Math.max(0, column - 6)} height={height - 14} />
                </clipPath>
                <rect x={left} y="0" width={column} height={height} fill="transparent" />
                <g clip-path={`url(#stair-clip-${i})`}>
                  <Shapes drawing={withoutCut(level)} to={([x, y]) => [axis + x * scale, depth.at(y)]} id={`stair-${i}`} patterns="stair" rim={scale * 1.9} />
                </g>
                {cut !== null && (
                  <g>
                    {line && <path d={`M${left + 8} ${depth.at(line[0][1])}L${left + column - 8} ${depth.at(line[1][1])}`} class={chosen ? "d-cut chosen" : "d-cut"} />}
                    <text class="cased" x={left + column - 8} y={Math.max(13, cut < 12 ? depth.at(line ? line[1][1] : cut) - 6 : depth.at(line ? labelDepth(line, 58 / scale) : cut) + 15)} font-size="13" font-weight="680" text-anchor="end" fill="var(--mark)">
                      {digits(cut, 1)} mm
                    </text>
                  </g>
                )}
                <text class="cased" x={left + 8} y="13" font-size="12" font-weight="680" fill="var(--ink)">
                  {sideWords(side)}
                </text>
                {i === 0 && (
                  <text x={left + 8} y={height - 2} font-size="11.5" fill="var(--ink-2)">
                    lateral
                  </text>
                )}
                {i === 0 && (
                  <text x={left + column - 8} y={height - 2} font-size="11.5" text-anchor="end" fill="var(--ink-2)">
                    medial
                  </text>
                )}
              </g>
            );
          })}
          <g>
            <path d={`M${rule} ${depth.at(0)}V${height - 14}`} stroke="var(--ink)" stroke-width="2" />
            {graduations(0, to, 5).map((mm) => (
              <path key={mm} d={`M${rule - (mm % step === 0 ? 10 : 5)} ${depth.at(mm)}H${rule}`} stroke="var(--ink)" stroke-width={mm % step === 0 ? 1.8 : 1.2} />
            ))}
            {graduations(0, to, step).map((mm) => (
              <text key={mm} x={rule - 14} y={depth.at(mm) + 4.5} font-size="13" font-weight="600" text-anchor="end" fill="var(--ink)">
                {mm}
              </text>
            ))}
          </g>
          {sound?.value != null && (
            <g>
              <path d={`M${rule} ${depth.at(sound.value)}H${width}`} stroke="var(--ink)" stroke-width="1.2" stroke-dasharray="1.4 3" />
              <path d={`M${rule - 22} ${depth.at(sound.value)}H${rule}`} stroke="var(--ink)" stroke-width="2" />
            </g>
          )}
        </svg>
      )}
    </div>
  );
}

/** The same bone in space with each level's part, from one camera. */
function InSpace({ comparison, levels, margin, side, choose }: Omit<StaircaseProps, "space">): JSX.Element {
  return (
    <div class="stair inspace" style={{ gridTemplateColumns: `${margin}px repeat(${levels.length}, minmax(0, 1fr))` }}>
      <span />
      {levels.map((level) => {
        const name = level.placement.level;
        const cut = cutDepth(level);
        return (
          <figure key={name} class="pick" onClick={() => choose(name)}>
            <img src={at("/api/hips", comparison.hip_id, { v: placeTag(level.placement) }, `/space/${name}.png`)} alt={`${sideWords(side)} in space: ${level.title}, ${level.family_words}`} />
            <figcaption>
              <b>{sideWords(side)}</b>
              {cut !== null && <em>cut {digits(cut, 1)} mm</em>}
            </figcaption>
          </figure>
        );
      })}
    </div>
  );
}

function withoutCut(level: Appraisal): Appraisal["drawing_neck"] {
  return { ...level.drawing_neck, shapes: level.drawing_neck.shapes.filter((shape) => shape.role !== "cut") };
}
