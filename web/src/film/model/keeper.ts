/**
 * Keeps every step: written to the browser's own store first, then sent, in
 * order, until the server has said that it has it.
 *
 * A reload, a closed laptop or a server that is being restarted loses nothing:
 * what was not acknowledged is still in the store and goes out again.
 */

import { Stopped } from "../../api/client";

export interface Step<State> {
  readonly state: State;
  readonly what: string;
  /** The server's step on which this one was made. */
  readonly base: number;
}

export interface Kept {
  readonly step: number;
}

export type KeeperState =
  | { readonly name: "kept" }
  | { readonly name: "keeping"; readonly waiting: number }
  | { readonly name: "retrying"; readonly waiting: number; readonly says: string }
  | { readonly name: "stopped"; readonly waiting: number; readonly says: string };

/** The two things a browser store does that matter here; `localStorage` is one. */
export interface Store {
  getItem(key: string): string | null;
  setItem(key: string, value: string): void;
  removeItem(key: string): void;
}

/** Who hears: the page that is open. Without one the keeper goes on sending. */
export interface KeeperEars<Answer> {
  readonly onKept: (answer: Answer, isLast: boolean) => void;
  readonly onState: (state: KeeperState) => void;
}

export interface KeeperOptions<State, Answer extends Kept> {
  readonly key: string;
  readonly store: Store;
  readonly send: (step: Step<State>) => Promise<Answer>;
  readonly wait?: (ms: number) => Promise<void>;
  /** Hears every change, whether a page is open or not. */
  readonly onState?: (state: KeeperState) => void;
}

/** First wait after a failure, doubled each time up to the last. */
const FIRST_WAIT_MS = 500;
const LAST_WAIT_MS = 8000;

export class Keeper<State, Answer extends Kept> {
  readonly #options: KeeperOptions<State, Answer>;
  #queue: Step<State>[];
  #sending = false;
  #stopped = false;
  #said: KeeperState = { name: "kept" };
  #ears: KeeperEars<Answer> | null = null;
  #idle: (() => void)[] = [];

  constructor(options: KeeperOptions<State, Answer>) {
    this.#options = options;
    this.#queue = readQueue<State>(options.store, options.key);
  }

  /** Steps that an earlier visit left unacknowledged. */
  get left(): readonly Step<State>[] {
    return this.#queue;
  }

  get sending(): boolean {
    return this.#sending;
  }

  get waiting(): number {
    return this.#queue.length;
  }

  add(step: Step<State>): void {
    this.#queue.push(step);
    this.#write();
    if (this.#said.name === "retrying" || this.#said.name === "stopped") this.#tell({ ...this.#said, waiting: this.#queue.length });
    this.flush();
  }

  /** Send again what is still here; on `base` when given (the step the server is at now). */
  resume(base?: number): void {
    if (base !== undefined) this.#queue = this.#queue.map((step) => ({ ...step, base }));
    this.#stopped = false;
    this.flush();
  }

  /** Go on with these steps instead: what `reconcile` left. */
  replace(steps: readonly Step<State>[]): void {
    this.#queue = [...steps];
    this.#write();
    this.resume();
  }

  /** Give up what was not kept; only a person's choice leads here. */
  discard(): void {
    this.#queue = [];
    this.#stopped = false;
    this.#write();
    this.#tell({ name: "kept" });
  }

  /** Resolves when nothing waits, or at once when stopped. */
  settled(): Promise<void> {
    if (this.#queue.length === 0 || this.#stopped) return Promise.resolve();
    return new Promise((resolve) => this.#idle.push(resolve));
  }

  /** A page opens; the function returned is for when it closes. */
  heard(ears: KeeperEars<Answer>): () => void {
    this.#ears = ears;
    return () => {
      if (this.#ears === ears) this.#ears = null;
    };
  }

  flush(): void {
    if (!this.#sending && !this.#stopped) void this.#run();
  }

  #tell(state: KeeperState): void {
    this.#said = state;
    this.#ears?.onState(state);
    this.#options.onState?.(state);
  }

  async #run(): Promise<void> {
    this.#sending = true;
    const wait = this.#options.wait ?? ((ms) => new Promise<void>((resolve) => setTimeout(resolve, ms)));
    let pause = FIRST_WAIT_MS;
    while (this.#queue.length > 0) {
      const next = this.#queue[0] as Step<State>;
      this.#tell({ name: "keeping", waiting: this.#queue.length });
      try {
        const answer = await this.#options.send(next);
        // Discarded or replaced meanwhile: then there is nothing of this one left to take out.
        if (this.#queue[0] === next) this.#queue.shift();
        // Steps made while this one travelled stand on it now.
        this.#queue = this.#queue.map((step) => ({ ...step, base: answer.step }));
        this.#write();
        pause = FIRST_WAIT_MS;
        this.#ears?.onKept(answer, this.#queue.length === 0);
      } catch (error) {
        const says = error instanceof Error ? error.message : String(error);
        if (error instanceof Stopped) {
          this.#stopped = true;
          this.#tell({ name: "stopped", waiting: this.#queue.length, says });
          break;
        }
        this.#tell({ name: "retrying", waiting: this.#queue.length, says });
        await wait(pause);
        pause = Math.min(LAST_WAIT_MS, pause * 2);
      }
    }
    this.#sending = false;
    if (this.#queue.length === 0) this.#tell({ name: "kept" });
    const idle = this.#idle;
    this.#idle = [];
    for (const resolve of idle) resolve();
  }

  #write(): void {
    if (this.#queue.length === 0) this.#options.store.removeItem(this.#options.key);
    else this.#options.store.setItem(this.#options.key, JSON.stringify(this.#queue));
  }
}

function readQueue<State>(store: Store, key: string): Step<State>[] {
  try {
    const found: unknown = JSON.parse(store.getItem(key) ?? "[]");
    return Array.isArray(found) ? (found as Step<State>[]) : [];
  } catch {
    return [];
  }
}

/**
 * After a reload: steps the server already has are dropped, the rest goes on from where the server is.
 * `null` when the server has moved on by someone else's hand: a person must choose.
 */
export function reconcile<State>(
  left: readonly Step<State>[],
  serverStep: number,
  serverState: State,
  same: (a: State, b: State) => boolean,
): Step<State>[] | null {
  const first = left[0];
  if (!first) return [];
  if (first.base === serverStep) return left.map((step) => ({ ...step, base: serverStep }));
  // The answer to a step was lost on the way: the server has it, we did not hear.
  const had = left.findIndex((step) => same(step.state, serverState));
  return had < 0 ? null : left.slice(had + 1).map((step) => ({ ...step, base: serverStep }));
}
