/** What is on its way and what became of it; and the frame that says "drop here". */

import type { JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import type { JobOut } from "../api/schema";
import { useStore } from "./hooks";
import { CHOOSERS, filesOfDrop, filesOfInput, sending, sendingFailed, takeIn } from "./importing";
import { jobs } from "./jobs";
import { Press } from "./Press";
import { Progress } from "./Progress";
import { StopSign } from "./LimitSign";

export function ImportProgress(): JSX.Element | null {
  const going = useStore(sending);
  const failed = useStore(sendingFailed);
  const all = useStore(jobs);
  if (!going && !failed && all.length === 0) return null;
  return (
    <div class="imports">
      {failed && (
        <p class="stop" role="alert">
          <StopSign /> <span>{failed}</span>
          <Press size="sm" kind="plain" onPress={() => sendingFailed.set(null)}>
            Put away
          </Press>
        </p>
      )}
      {going && (
        <section class="job runs" aria-label={going.words}>
          <div class="top">
            <b>{going.words}</b>
            <span class="k">{Math.round(going.share * 100)} %</span>
            <Press size="sm" onPress={going.stop}>
              Stop
            </Press>
          </div>
          <div class="track">
            <i style={{ width: `${going.share * 100}%` }} />
          </div>
        </section>
      )}
      {all.map((job) => (
        <Progress key={job.job_id} job={job} />
      ))}
    </div>
  );
}

/** The page takes images: its file inputs, and the whole page while something is dragged over it. */
export function DropHere({ done }: { done: (job: JobOut) => void }): JSX.Element {
  const [over, set] = useState(false);
  useEffect(() => {
    let depth = 0;
    const files = (event: DragEvent): boolean => event.dataTransfer?.types.includes("Files") ?? false;
    const enter = (event: DragEvent): void => {
      if (files(event)) set(++depth > 0);
    };
    const leave = (event: DragEvent): void => {
      if (files(event)) set(--depth > 0);
    };
    const hover = (event: DragEvent): void => {
      if (files(event)) event.preventDefault();
    };
    const drop = (event: DragEvent): void => {
      if (!event.dataTransfer || !files(event)) return;
      event.preventDefault();
      depth = 0;
      set(false);
      void filesOfDrop(event.dataTransfer).then((found) => takeIn(found, done));
    };
    window.addEventListener("dragenter", enter);
    window.addEventListener("dragleave", leave);
    window.addEventListener("dragover", hover);
    window.addEventListener("drop", drop);
    return () => {
      window.removeEventListener("dragenter", enter);
      window.removeEventListener("dragleave", leave);
      window.removeEventListener("dragover", hover);
      window.removeEventListener("drop", drop);
    };
  }, [done]);
  const chosen = (event: { currentTarget: HTMLInputElement }): void => {
    void takeIn(filesOfInput(event.currentTarget), done);
    event.currentTarget.value = ""; // The same files can be chosen again.
  };
  return (
    <>
      <input id={CHOOSERS.files} class="vh" type="file" multiple tabIndex={-1} aria-label="Images" onChange={chosen} />
      <input id={CHOOSERS.folder} class="vh" type="file" multiple tabIndex={-1} aria-label="A folder of images" ref={asFolder} onChange={chosen} />
      {over && (
        <div class="drophere">
          <p>
            <b>Let go to take the images in</b>
            <span>films and scans (CT, MR) as DICOM, folders, zips, DICOMDIR; NIfTI; pictures of films. The originals are never changed.</span>
          </p>
        </div>
      )}
    </>
  );
}

function asFolder(input: HTMLInputElement | null): void {
  if (input) input.webkitdirectory = true;
}
