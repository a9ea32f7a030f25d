/** Long work: asked about every 300 ms while any runs, found again after a reload. */

import { ask, at } from "../api/client";
import type { JobOut } from "../api/schema";
import { store } from "../model/store";

export const jobs = store<readonly JobOut[]>([]);

const POLL_MS = 300;
const SLOW_MS = 3000;
let asking = false;
const waits = new Map<string, (job: JobOut) => void>();

export const unfinished = (job: JobOut): boolean => job.state === "waits" || job.state === "runs";

function put(job: JobOut): void {
  jobs.set((all) => (all.some((one) => one.job_id === job.job_id) ? all.map((one) => (one.job_id === job.job_id ? job : one)) : [job, ...all]));
}

async function poll(): Promise<void> {
  if (asking) return;
  asking = true;
  try {
    let pause = POLL_MS;
    while (jobs.get().some(unfinished)) {
      await new Promise((go) => setTimeout(go, pause));
      for (const job of jobs.get().filter(unfinished)) {
        try {
          const now = await ask<JobOut>("GET", at("/api/jobs", job.job_id));
          pause = POLL_MS;
          put(now);
          if (!unfinished(now)) waits.get(now.job_id)?.(now);
        } catch {
          pause = SLOW_MS; // The server is away; its jobs are on disk and come back with it.
        }
      }
    }
  } finally {
    asking = false;
  }
}

/** Follow a job that was just started; `done` hears its end, whatever it was. */
export function follow(job: JobOut, done?: (job: JobOut) => void): void {
  put(job);
  if (done) waits.set(job.job_id, done);
  if (unfinished(job)) void poll();
  else done?.(job);
}

/** Find the unfinished work of an earlier visit. */
export async function resumeJobs(done?: (job: JobOut) => void): Promise<void> {
  for (const job of (await ask<JobOut[]>("GET", "/api/jobs")).filter(unfinished)) follow(job, done);
}

/** Jobs asked to stop that still finish the step they are at. */
export const stopping = store<ReadonlySet<string>>(new Set());

export async function cancel(job: JobOut): Promise<void> {
  stopping.set((now) => new Set([...now, job.job_id]));
  put(await ask<JobOut>("DELETE", at("/api/jobs", job.job_id)));
}

/** Do a failed or stopped job once more. */
export async function again(job: JobOut): Promise<void> {
  const now = await ask<JobOut>("POST", at("/api/jobs", job.job_id, {}, "/again"));
  if (now.job_id !== job.job_id) dismissJob(job);
  follow(now);
}

/** Take a finished job's lines off the page; the server keeps them. */
export function dismissJob(job: JobOut): void {
  waits.delete(job.job_id);
  jobs.set((all) => all.filter((one) => one.job_id !== job.job_id));
}
