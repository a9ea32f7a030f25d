"""Answers kept in memory: computed once however many ask, forgotten oldest first, and a failure is not kept."""

import threading
import time

import pytest

from headstock.desk.desk import Memory


def test_many_threads_asking_at_once_wait_for_one_computation() -> None:
    memory, counted = Memory(3), []

    def compute() -> int:
        counted.append(1)
        time.sleep(0.1)
        return 7

    answers: list[int] = []
    threads = [threading.Thread(target=lambda: answers.append(memory.get("key", compute))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == [7] * 8
    assert len(counted) == 1


def test_an_answer_may_ask_for_another() -> None:
    memory = Memory(3)
    assert memory.get("a", lambda: 1 + memory.get("b", lambda: 2)) == 3


def test_a_failure_is_not_kept_and_the_next_one_tries_again() -> None:
    memory = Memory(3)
    with pytest.raises(ValueError, match="first"):
        memory.get("key", lambda: (_ for _ in ()).throw(ValueError("first")))
    assert memory.get("key", lambda: 5) == 5


def test_the_answer_asked_for_longest_ago_is_forgotten_first() -> None:
    memory = Memory(2)
    for key in ("a", "b", "a", "c"):
        memory.get(key, lambda: 1)
    assert memory.get("a", lambda: 2) == 1
    assert memory.get("b", lambda: 2) == 2
