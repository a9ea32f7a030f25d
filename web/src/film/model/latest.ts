/**
 * Ask while dragging: one question under way, the newest waits, all between are dropped.
 *
 * Answers arrive in order and an answer to an older question never replaces a newer one.
 */

export interface Latest<Question> {
  ask(question: Question): void;
  /** Forget what waits and ignore what is under way. */
  drop(): void;
}

export function latest<Question, Answer>(
  send: (question: Question, signal: AbortSignal) => Promise<Answer>,
  onAnswer: (answer: Answer, question: Question, tookMs: number) => void,
  onError: (error: unknown) => void = () => undefined,
  now: () => number = () => performance.now(),
): Latest<Question> {
  let under: AbortController | null = null;
  let waiting: { question: Question } | null = null;

  const run = (question: Question): void => {
    const own = new AbortController();
    under = own;
    const began = now();
    send(question, own.signal)
      .then(
        (answer) => {
          if (under === own) onAnswer(answer, question, now() - began);
        },
        (error: unknown) => {
          if (under === own && waiting === null) onError(error);
        },
      )
      .finally(() => {
        if (under !== own) return;
        under = null;
        const next = waiting;
        waiting = null;
        if (next) run(next.question);
      });
  };

  return {
    ask(question) {
      if (under) waiting = { question };
      else run(question);
    },
    drop() {
      under?.abort();
      under = null;
      waiting = null;
    },
  };
}
