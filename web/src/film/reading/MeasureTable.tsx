/** Measures: right, left, right − left. What has no value yet is named below with its reason, not shown as rows of dashes. */

import type { JSX } from "preact";
import type { MeasureRow, MeasuresOut, Measure } from "../../api/schema";
import { unitWords } from "../../model/format";
import { LimitSign } from "../../parts/LimitSign";
import { Num } from "../../parts/Num";

const has = (n: Measure | null): boolean => n !== null && n.value !== null;

/** Some side of this measure has a value. */
export const hasValue = (row: MeasureRow): boolean => has(row.right) || has(row.left) || has(row.difference);

export function MeasureTable({ rows }: { rows: readonly MeasureRow[] }): JSX.Element {
  const shown = rows.filter(hasValue);
  const missing = rows.filter((row) => !shown.includes(row));
  // A film of one hip has one column.
  const [right, left] = [shown.some((row) => has(row.right)), shown.some((row) => has(row.left))];
  const both = right && left;
  return (
    <>
      {shown.length > 0 && (
        <table>
          <thead>
            <tr>
              <th scope="col">
                <span class="vh">measure</span>
              </th>
              {right && <th scope="col">right</th>}
              {left && <th scope="col">left</th>}
              {both && <th scope="col">right − left</th>}
            </tr>
          </thead>
          <tbody>
            {shown.map((row) => (
              <tr key={row.key}>
                <th scope="row">
                  {row.label} <small>{unitWords(row.unit)}</small>
                </th>
                {right && <Cell n={row.right} />}
                {left && <Cell n={row.left} />}
                {both && <Cell n={row.difference} />}
              </tr>
            ))}
          </tbody>
        </table>
      )}
      {missing.length > 0 && (
        <details class="not-yet">
          <summary>
            {shown.length === 0 ? "No measure yet" : "No value yet"}: {missing.length} measures
          </summary>
          <dl>
            {missing.map((row) => (
              <div key={row.key}>
                <dt>{row.label}</dt>
                <dd>{row.right?.reason ?? row.left?.reason ?? row.difference?.reason ?? "needs more points"}</dd>
              </div>
            ))}
          </dl>
        </details>
      )}
    </>
  );
}

function Cell({ n }: { n: Measure | null }): JSX.Element {
  return <td>{n === null || n.value === null ? <span class="faint" title={n?.reason ?? ""}>–</span> : <Num n={n} hideUnit />}</td>;
}

/** Pelvis on this film: rotation and obliquity with the limits that say whether they spoil the rest. */
export function PelvisLines({ measures }: { measures: MeasuresOut }): JSX.Element | null {
  if (measures.pelvis.length === 0) return null;
  return (
    <section class="rd-pelvis">
      <h2>Pelvis on this film</h2>
      {measures.pelvis.map((line) => (
        <p key={line.number.key}>
          <span>
            {line.number.label} <Num n={line.number} limit={line.limit} />
          </span>
          <LimitSign n={line.number} limit={line.limit} />
        </p>
      ))}
    </section>
  );
}
