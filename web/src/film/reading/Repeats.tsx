/** Every reading of this film side by side, and how well measures repeat: within a reader, and between two. */

import type { JSX } from "preact";
import { at } from "../../api/client";
import type { components } from "../../api/types";
import { dateWords } from "../../model/format";
import { useLoad } from "../../parts/hooks";
import { Num } from "../../parts/Num";

type RepeatPage = components["schemas"]["RepeatPage"];

/** `turn` changes when a reading is kept or ended, so that the page is asked for again. */
export function Repeats({ film, hip, turn }: { film: string; hip: string; turn: string }): JSX.Element | null {
  const { data } = useLoad<RepeatPage>(at("/api/films", film, { hip, turn }, "/reading/repeats"));
  if (!data || data.readings.length < 2) return null;
  const labels = data.readings[0]?.numbers ?? [];
  return (
    <details class="rd-repeats">
      <summary>Read {data.readings.length} times: how well it repeats</summary>
      <p class="says">{data.says}</p>
      <table>
        <tbody>
          {labels.map((first) => (
            <tr key={first.key}>
              <th scope="row">{first.label}</th>
              {data.readings.map((reading, index) => {
                const number = reading.numbers.find((other) => other.key === first.key);
                return (
                  <td key={index}>
                    {number ? <Num n={number} /> : <span class="faint">no value</span>}
                    <small class="faint">{`${reading.reader}${reading.in_use ? ", in use" : ""}${reading.kept_at ? `, ${dateWords(reading.kept_at)}` : ""}`}</small>
                  </td>
                );
              })}
            </tr>
          ))}
        </tbody>
      </table>
      {data.within.map((row) => (
        <p key={`${row.key} ${row.reader}`}>
          {row.label}, {row.reader}: two readings differ by less than <Num n={row.coefficient} /> in 95 % of pairs.
        </p>
      ))}
      {data.between.map((row) => (
        <p key={`${row.key} ${row.first} ${row.second}`}>
          {row.label}, {row.second} minus {row.first}: <Num n={row.bias} />, limits <Num n={row.lower} /> and <Num n={row.upper} />.
        </p>
      ))}
    </details>
  );
}
