/**
 * Questions and answers over HTTP. A refusal comes back as `Stopped` with the
 * server's own words; a server that cannot be reached is `NotReached`, so that a
 * caller can tell "no" from "nobody there".
 */

import type { Stop } from "./schema";

/** The server refused. `message` is what to show: found, why it stops us, what to do. */
export class Stopped extends Error {
  constructor(
    readonly status: number,
    readonly stop: Stop,
  ) {
    super(stop.stopped);
    this.name = "Stopped";
  }
}

/** Nobody answered, or the server failed. Trying again may help; nothing was decided. */
export class NotReached extends Error {
  constructor(message: string) {
    super(message);
    this.name = "NotReached";
  }
}

export type Method = "GET" | "PUT" | "POST" | "DELETE";

const GONE = "The headstock server does not answer. Is it still running? Nothing typed here is lost; it is sent again as soon as it answers.";

async function asked(method: Method, path: string, body?: unknown, signal?: AbortSignal): Promise<Response> {
  const form = body instanceof FormData;
  let answer: Response;
  try {
    answer = await fetch(path, {
      method,
      ...(signal ? { signal } : {}),
      ...(body === undefined ? {} : { body: form ? body : JSON.stringify(body) }),
      headers: body === undefined || form ? {} : { "Content-Type": "application/json" },
    });
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new NotReached(GONE);
  }
  if (answer.ok) return answer;
  const words = await refusal(answer);
  if (answer.status >= 500) throw new NotReached(words?.stopped ?? GONE);
  throw new Stopped(answer.status, words ?? { stopped: `The server refused (${answer.status}).`, guard: null, detail: null });
}

async function refusal(answer: Response): Promise<Stop | null> {
  try {
    const body: unknown = await answer.json();
    if (typeof body === "object" && body !== null && "stopped" in body && typeof body.stopped === "string") {
      return { guard: null, detail: null, ...(body as Partial<Stop>), stopped: body.stopped };
    }
  } catch {
    // Not JSON: the caller says what little is known.
  }
  return null;
}

/** Ask for JSON. `T` is the model named in the API table for this path. */
export async function ask<T>(method: Method, path: string, body?: unknown, signal?: AbortSignal): Promise<T> {
  const answer = await asked(method, path, body, signal);
  // Done, and nothing to say.
  if (answer.status === 204) return undefined as T;
  return (await answer.json()) as T;
}

/** Ask for bytes (the grey levels of a film). */
export async function askBytes(path: string, signal?: AbortSignal): Promise<ArrayBuffer> {
  return (await asked("GET", path, undefined, signal)).arrayBuffer();
}

/** Ask for bytes by what is sent (the walls that a placement leaves). */
export async function askBytesOf(path: string, body: unknown, signal?: AbortSignal): Promise<ArrayBuffer> {
  return (await asked("POST", path, body, signal)).arrayBuffer();
}

/** A path with its parts and query made safe: `at("/api/films", id, { hip })`. */
export function at(path: string, id?: string, query?: Record<string, string | undefined>, rest = ""): string {
  const where = id === undefined ? path : `${path}/${encodeURIComponent(id)}`;
  const asked = Object.entries(query ?? {}).filter((pair): pair is [string, string] => pair[1] !== undefined && pair[1] !== "");
  return where + rest + (asked.length > 0 ? `?${new URLSearchParams(asked)}` : "");
}
