/** The first page of a fresh installation: the question, and two ways to begin. */

import type { JSX } from "preact";
import type { JobOut } from "../api/schema";
import type { Action } from "../model/actions";
import { useStore } from "../parts/hooks";
import { DropHere, ImportProgress } from "../parts/Importing";
import { chooseFiles, openDemo } from "../parts/importing";
import { jobs, unfinished } from "../parts/jobs";
import { ActionPress } from "../parts/Press";
import { Reader } from "../parts/Reader";
import { Shell } from "../parts/Shell";
import { EmptyBone } from "./EmptyBone";

export function EmptyView({ done }: { done: (job: JobOut) => void }): JSX.Element {
  const busy = useStore(jobs).some(unfinished);
  const demo: Action = {
    id: "first.demo",
    title: "Open the six demo patients",
    keys: ["d"],
    violet: true,
    foot: "demo patients",
    closed: busy ? "Demo patients: wait" : null,
    run: () => void openDemo(done),
  };
  const open: Action = { id: "first.open", title: "Drop images in, or choose files", keys: ["o"], foot: "open images", run: () => chooseFiles(false) };
  const folder: Action = { id: "first.folder", title: "Choose a folder", keys: ["Shift+o"], run: () => chooseFiles(true) };
  return (
    <Shell
      title="First page"
      mainClass="first"
      actions={[demo, open, folder]}
      plate={
        <>
          <div class="who">
            <b>headstock</b>
            <span>
              Bone-conserving hips, <Reader />
            </span>
          </div>
          <div class="gap" />
          <div class="state">
            <b>On this machine only</b>
            nothing leaves it
          </div>
        </>
      }
    >
      <EmptyBone />
      <section>
        <h1>Where does sound bone start, and how far down do you have to cut?</h1>
        <p class="says">There is no hip here yet. Six invented patients show the way from a hospital's films to a signed plan and a sheet for the operating room.</p>
        <div class="two">
          <ActionPress action={demo} size="lg" hint={false} />
          <ActionPress action={open} size="lg" hint={false} />
          <ActionPress action={folder} kind="plain" hint={false} />
        </div>
        <ImportProgress />
        <dl>
          <dt>Takes</dt>
          <dd>films and scans (CT, MR) as DICOM, folder, zip or DICOMDIR; NIfTI; pictures of films</dd>
          <dt>Keeps</dt>
          <dd>everything in one folder on this machine; the originals are never changed</dd>
          <dt>Needs from you</dt>
          <dd>a scale on the film, or it gives angles and ratios only</dd>
        </dl>
      </section>
      <DropHere done={done} />
    </Shell>
  );
}
