"""The desk: the open record with what every action needs beside it.

Actions are functions of a `Desk`, their own values, who acts, and the time. The
desk keeps a few decoded films and computed answers in memory; everything that
matters is in the record.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from headstock.images.film import Film
from headstock.images.read import read_film
from headstock.implants import Catalogue
from headstock.records import Store, check_chain, check_vault
from headstock.records.people import film as film_row
from headstock.records.people import put_setting, setting

__all__ = ["Desk", "Memory", "open_desk", "reader", "set_reader"]

T = TypeVar("T")
_NOBODY = "reader not named"


class Memory:
    """The last few answers by key; safe between threads. An answer being computed is waited for, not computed twice."""

    def __init__(self, most: int) -> None:
        self._most, self._kept, self._lock = most, OrderedDict[Hashable, Any](), threading.Lock()
        self._busy: dict[Hashable, threading.Lock] = {}

    def get(self, key: Hashable, compute: Callable[[], T]) -> T:
        """The answer kept under `key`, or computed and kept. Answers may ask for others, never for themselves."""
        with self._lock:
            if key in self._kept:
                found: T = self._found(key)
                return found
            turn = self._busy.setdefault(key, threading.Lock())
        with turn:
            with self._lock:
                if key in self._kept:  # someone else computed it while this thread waited
                    waited: T = self._found(key)
                    return waited
            try:
                answer = compute()
                with self._lock:
                    self._kept[key] = answer
                    while len(self._kept) > self._most:
                        self._kept.popitem(last=False)
            finally:
                with self._lock:
                    self._busy.pop(key, None)
        return answer

    def _found(self, key: Hashable) -> Any:
        self._kept.move_to_end(key)
        return self._kept[key]


@dataclass(frozen=True, slots=True)
class Desk:
    """An open record, the families that may be planned with, and short memories of what was decoded and computed."""

    store: Store
    catalogue: Catalogue
    films: Memory = field(default_factory=lambda: Memory(6))
    answers: Memory = field(default_factory=lambda: Memory(64))
    scans: Memory = field(default_factory=lambda: Memory(2))  # volumes: hundreds of MB each
    hips: Memory = field(default_factory=lambda: Memory(3))  # hips read from scans, with their fields
    at_hand: Memory = field(default_factory=lambda: Memory(1))  # the hip under the hand, as the record now has it

    def film(self, film_id: str) -> Film:
        """The decoded film, from the vault; checked against its address."""
        with self.store.session() as session:
            address = film_row(session, film_id).sha256
        return self.films.get(address, lambda: read_film(self.store.vault.get(address)))

    def close(self) -> None:
        """Close the record."""
        self.store.close()


def open_desk(folder: Path, *, url: str | None = None, families: tuple[Path, ...] = ()) -> Desk:
    """Open the record in `folder`, its chains checked.

    `families`: a hospital's own folders of family files; `<data folder>/families` is
    read too when it exists.

    Raises
    ------
    RecordError
        The record was changed outside, is newer than this program, or cannot be written.
    CatalogueError
        A family file breaks the schema.
    """
    store = Store(folder, url)
    try:
        check_chain(store)
        check_vault(store)
        own = folder / "families"
        return Desk(store, Catalogue.load([*families, *([own] if own.is_dir() else [])]))
    except BaseException:
        store.close()
        raise


def reader(desk: Desk) -> str:
    """Who reads at this installation."""
    with desk.store.session() as session:
        return str(setting(session, "reader", _NOBODY))


def set_reader(desk: Desk, name: str, *, now: datetime) -> str:
    """From now on this person reads."""
    from headstock.records import write_line

    cleaned = " ".join(name.split())[:80] or _NOBODY
    with desk.store.writing() as session:
        put_setting(session, "reader", cleaned)
        write_line(session, at=now, who=cleaned, action="reader named", subject="installation")
    return cleaned
