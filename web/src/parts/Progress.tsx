/** A job: how far, what it does now, one line a file, and the way to stop it. */

import type { JSX } from "preact";
import type { JobOut } from "../api/schema";
import { importOrder, outcomeWords } from "../model/imports";
import { useStore } from "./hooks";
import { again, cancel, dismissJob, stopping, unfinished } from "./jobs";
import { say } from "./keys";
import { Press } from "./Press";

const STATE: Record<JobOut["state"], string> = {
  waits: "waits its turn",
  runs: "",
  done: "",
  failed: "failed",
  cancelled: "",
};

export function Progress({ job, lines = true }: { job: JobOut; lines?: boolean }): JSX.Element {
  const percent = Math.round(Math.max(0, Math.min(1, job.share)) * 100);
  const running = unfinished(job);
  const halting = useStore(stopping).has(job.job_id);
  return (
    <section class={`job ${job.state}`} aria-label={job.what} aria-live="polite">
      <div class="top">
        <b>{job.what}</b>
        <span class="k">
          {[running ? `${percent} %` : "", STATE[job.state] ? `${STATE[job.state]}.` : "", job.says].filter(Boolean).join(" · ")}
        </span>
        {running ? (
          <Press size="sm" closed={halting ? "Stopping after this step" : null} onPress={() => cancel(job).catch((error: unknown) => say((error as Error).message))}>
            Stop
          </Press>
        ) : (
          <>
            {job.state !== "done" && (
              <Press size="sm" onPress={() => again(job).catch((error: unknown) => say((error as Error).message))}>
                Try again
              </Press>
            )}
            <Press size="sm" kind="plain" onPress={() => dismissJob(job)}>
              Put away
            </Press>
          </>
        )}
      </div>
      {job.state !== "done" && (
        <div class="track" role="progressbar" aria-valuenow={percent} aria-valuemin={0} aria-valuemax={100} aria-label={job.what}>
          <i style={{ width: `${percent}%` }} />
        </div>
      )}
      {lines && job.lines.length > 0 && (
        <ol tabIndex={0} aria-label="What happened to each file">
          {importOrder(job.lines).map((line) => (
            <li key={line.name} class={line.outcome}>
              <b title={line.name}>{line.name}</b>
              <em>{outcomeWords[line.outcome]}</em>
              <span>{line.says}</span>
            </li>
          ))}
        </ol>
      )}
    </section>
  );
}
