/** `?`: every action that can be called now, with its keys. Pressing a line does it. */

import type { JSX } from "preact";
import { reachable, writtenKeys } from "../model/actions";
import { useStore } from "./hooks";
import { perform, scopes } from "./keys";
import { Panel } from "./Panel";

export function KeysPanel({ close }: { close: () => void }): JSX.Element {
  const groups = reachable(useStore(scopes).filter((scope) => scope.name !== PANEL));
  return (
    <Panel title="All keys" name={PANEL} close={close}>
      <div class="keylist">
        {groups.map(({ scope, actions }) => (
          <section key={scope}>
            <h3>{scope}</h3>
            {actions.map((action) => (
              <button
                key={action.id}
                type="button"
                onClick={() => {
                  close();
                  // After the panel has given its focus back.
                  setTimeout(() => perform(action), 0);
                }}
              >
                <span>
                  {action.title}
                  {action.closed && <span class="why-not">: {action.closed}</span>}
                </span>
                <span>
                  {writtenKeys(action).map((key) => (
                    <kbd key={key}>{key}</kbd>
                  ))}
                </span>
              </button>
            ))}
          </section>
        ))}
        <section>
          <h3>Always</h3>
          <p class="k">Tab goes from number to number in reading order; Enter opens the why of a number in focus.</p>
        </section>
      </div>
    </Panel>
  );
}

const PANEL = "Panel";
