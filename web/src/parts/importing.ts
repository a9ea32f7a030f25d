/** Taking images in: dropped, or chosen as files or a folder. */

import { ask } from "../api/client";
import type { JobOut } from "../api/schema";
import { sendFiles, type NamedFile } from "../api/upload";
import { store } from "../model/store";
import { follow } from "./jobs";
import { say } from "./keys";

/** Files on their way to the server; null when none. */
export const sending = store<{ words: string; share: number; stop: () => void } | null>(null);
/** Why the last sending did not work. */
export const sendingFailed = store<string | null>(null);

/** Everything in a drop, folders opened. Hidden files of an operating system are left out. */
export async function filesOfDrop(transfer: DataTransfer): Promise<NamedFile[]> {
  const entries = [...transfer.items].map((item) => (item.kind === "file" ? item.webkitGetAsEntry() : null));
  const found: NamedFile[] = [];
  for (const entry of entries) if (entry) await walk(entry, found);
  if (found.length === 0) for (const file of transfer.files) found.push({ name: file.name, file });
  return found;
}

async function walk(entry: FileSystemEntry, found: NamedFile[]): Promise<void> {
  if (entry.name.startsWith(".")) return;
  if (entry.isFile) {
    const file = await new Promise<File>((yes, no) => (entry as FileSystemFileEntry).file(yes, no));
    found.push({ name: entry.fullPath.replace(/^\//, ""), file });
    return;
  }
  const reader = (entry as FileSystemDirectoryEntry).createReader();
  for (;;) {
    // A folder is read in portions; an empty one is the end.
    const portion = await new Promise<FileSystemEntry[]>((yes, no) => reader.readEntries(yes, no));
    if (portion.length === 0) return;
    for (const inside of portion) await walk(inside, found);
  }
}

/** The page's own file inputs (`Importing.tsx` draws them): a script's own input is not always heard. */
export const CHOOSERS = { files: "choose-files", folder: "choose-folder" } as const;

/** Ask for files, or for a folder. */
export function chooseFiles(folder: boolean): void {
  document.querySelector<HTMLInputElement>(`#${folder ? CHOOSERS.folder : CHOOSERS.files}`)?.click();
}

/** Everything in a file input; a folder's files keep their path. */
export function filesOfInput(input: HTMLInputElement): NamedFile[] {
  return [...(input.files ?? [])].map((file) => ({ name: file.webkitRelativePath || file.name, file }));
}

/** Send files and follow the import. */
export async function takeIn(files: readonly NamedFile[], done: (job: JobOut) => void): Promise<void> {
  if (files.length === 0) return say("There was no file in that.");
  if (sending.get()) return say("Files are still on their way; wait for them or stop them.");
  const stop = new AbortController();
  const words = files.length === 1 ? `Sending ${files[0]?.name ?? "one file"}` : `Sending ${files.length} files`;
  sendingFailed.set(null);
  sending.set({ words, share: 0, stop: () => stop.abort() });
  try {
    const job = await sendFiles(files, (share) => sending.set((now) => now && { ...now, share }), stop.signal);
    follow(job, done);
  } catch (error) {
    if (!(error instanceof DOMException)) sendingFailed.set((error as Error).message);
  } finally {
    sending.set(null);
  }
}

/** The invented patients. */
export async function openDemo(done: (job: JobOut) => void): Promise<void> {
  sendingFailed.set(null);
  try {
    follow(await ask<JobOut>("POST", "/api/demo"), done);
  } catch (error) {
    sendingFailed.set((error as Error).message);
  }
}
