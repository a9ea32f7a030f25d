/** The first page's picture: where the four cuts lie on a neck. Drawn by hand, no patient's bone. */

import type { JSX } from "preact";
import type { Point } from "../geometry/path";
import { smooth } from "../geometry/spline";
import { DrawingDefs } from "../parts/Drawing";
import { useSize } from "../parts/hooks";

// mm, neck axis upright: x medial, y depth below the top of the head.
const OUTLINE: readonly Point[] = [
  [-20, 112], [-31, 100], [-41, 90], [-50, 82], [-56, 74], [-54, 66], [-47, 61.5], [-38, 60], [-28, 59.6], [-21.5, 58.5], [-18.4, 55], [-17.4, 50], [-17.8, 44.5], [-19.2, 39],
  [-21.6, 33.6], [-23.2, 28], [-23.5, 22.5], [-22.4, 16.5], [-19.6, 10.6], [-15.2, 5.6], [-9.2, 1.8], [-2, 0], [5, 0.7], [11.6, 3.2], [17.2, 7.4], [21.2, 12.8], [23.3, 19],
  [23.5, 25.2], [22, 31.4], [19.4, 37], [17.4, 42.6], [16.6, 48.6], [17.2, 55], [18.8, 61.6], [21.2, 67.6], [25, 74], [30.4, 80.6], [37.2, 87.2], [45, 94.4], [56, 104], [64, 112],
];
const PELVIS: readonly Point[] = [
  [-31, 30], [-30.4, 20], [-26.6, 10], [-20, 2.2], [-11, -3.4], [0, -5.4], [10.4, -4], [19, 0.4], [25.6, 6.4], [30, 12], [35, 14.6], [38.4, 11.8], [36, 6], [29, 0], [21, -7],
];
const DEAD = { x: -6.5, y: 19.5, across: 14.6, along: 11.6, rim: 3 };
const CUTS: readonly { at: number; words: string }[] = [
  { at: 10.5, words: "Head surface" },
  { at: 34.5, words: "Mid-head" },
  { at: 46, words: "High neck" },
  { at: 66, words: "Low neck" },
];
const SHOWN_MM = { top: -7, bottom: 93 };

export function EmptyBone(): JSX.Element {
  const [see, { width, height }] = useSize<HTMLDivElement>();
  const scale = height / (SHOWN_MM.bottom - SHOWN_MM.top);
  const axis = width - 33 * scale;
  const to = ([x, y]: Point): Point => [axis + x * scale, (y - SHOWN_MM.top) * scale];
  const bone = smooth(OUTLINE.map(to));
  const [fadeFrom, fadeTo] = [to([-36, 0])[0], to([-24, 0])[0]];
  const labels = Math.max(96, to([-40, 0])[0]);
  const dead = to([DEAD.x, DEAD.y]);
  return (
    <div class="emptybone" ref={see}>
      {height > 0 && (
        <svg width={width} height={height} role="img" aria-label="A femoral head and neck with the four cut levels: head surface, mid-head, high neck, low neck">
          <DrawingDefs id="first" />
          <defs>
            <clipPath id="first-bone">
              <path d={bone} />
            </clipPath>
            <linearGradient id="first-fade" gradientUnits="userSpaceOnUse" x1={fadeFrom} x2={fadeTo} y1="0" y2="0">
              <stop offset="0" stop-color="#000" />
              <stop offset="1" stop-color="#fff" />
            </linearGradient>
            <mask id="first-mask" maskUnits="userSpaceOnUse" x="0" y="0" width={width} height={height}>
              <rect width={width} height={height} fill="url(#first-fade)" />
            </mask>
          </defs>
          <path d={smooth(PELVIS.map(to))} class="d-pelvis" />
          <g mask="url(#first-mask)">
            <path d={bone} fill="var(--bone)" />
            <g clip-path="url(#first-bone)">
              <ellipse cx={dead[0]} cy={dead[1]} rx={(DEAD.across + DEAD.rim) * scale} ry={(DEAD.along + DEAD.rim) * scale} fill="url(#first-rim)" />
              <ellipse cx={dead[0]} cy={dead[1]} rx={DEAD.across * scale} ry={DEAD.along * scale} fill="url(#first-dead)" class="d-dead" />
              <path d={bone} class="d-cortex" stroke-width={scale * 3.4} />
            </g>
            <path d={bone} fill="none" stroke="var(--bone-line)" stroke-width="2" />
          </g>
          {CUTS.map(({ at, words }) => {
            const y = to([0, at])[1];
            return (
              <g key={words}>
                <path d={`M${labels} ${y}H${width}`} class="d-cut" />
                <text x={labels - 8} y={y + 4.5} text-anchor="end" font-size="13.5" font-weight="680" fill="var(--mark)">
                  {words}
                </text>
              </g>
            );
          })}
        </svg>
      )}
    </div>
  );
}
