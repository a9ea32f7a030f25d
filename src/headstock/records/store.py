"""The record of one installation: a database, a vault beside it, and their state at the start.

In: a data folder, or a database URL with a folder for the vault. Out: a `Store`
whose tables are at the newest migration. SQLite runs in WAL mode with full
synchronisation: a step that was answered is on the disk.
Decision: docs/decisions/0171-one-file-a-vault-and-a-chain.md
"""

import logging
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.util import CommandError
from sqlalchemy.orm import Session

from headstock.errors import RecordError
from headstock.records.tables import Audit
from headstock.records.vault import Vault

__all__ = ["Store", "default_folder"]

_log = logging.getLogger("headstock.records")


def default_folder() -> Path:
    """The platform's folder for a user's data, as each system's own convention names it."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "headstock"


class Store:
    """The open record: `session()` to read, `writing()` to change, `vault` for images."""

    def __init__(self, folder: Path, url: str | None = None) -> None:
        """Open, or make, the record in `folder`; `url` puts the tables into another database.

        Raises
        ------
        RecordError
            The folder cannot be written, or its tables are newer than this program.
        """
        self.folder = folder
        self.spool = folder / "spool"
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self.vault = Vault(folder / "vault")
            self.spool.mkdir(exist_ok=True, mode=0o700)
        except OSError as error:
            raise RecordError(
                f"The data folder cannot be made or written ({error.strerror}), so nothing could be kept. "
                "Make it writable, or give another one with --data."
            ) from None
        self._heads = threading.Lock()
        self._changes = 0
        self.engine = sa.create_engine(
            url or f"sqlite:///{folder / 'headstock.sqlite3'}", connect_args={"timeout": 20} if url is None else {}
        )
        if self.engine.dialect.name == "sqlite":
            sa.event.listen(self.engine, "connect", _sqlite_connect)
            sa.event.listen(self.engine, "begin", _sqlite_begin)
        try:
            self._migrate()
        except CommandError:
            raise RecordError(
                "The record in this data folder was written by a newer headstock, whose tables this one does not know. "
                "Nothing was changed. Install that version again, or choose another folder with --data."
            ) from None
        except sa.exc.DatabaseError as error:
            raise RecordError(
                f"The database in this data folder cannot be opened ({type(error.orig).__name__}: {error.orig}). "
                "Nothing was changed. Restore the folder from a backup, or choose another one with --data."
            ) from None

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    @contextmanager
    def session(self) -> Iterator[Session]:
        """A look at the record."""
        with _in_words(), Session(self.engine, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A change of the record: all of it, or none. Writers take turns, so that the audit chain has one end."""
        writer = self.engine.execution_options(writes=True)
        with _in_words(), Session(writer, expire_on_commit=False) as session, session.begin():
            # The turn begins here, not at the first statement: what is looked up inside is of this turn.
            session.connection()
            if self.engine.dialect.name == "postgresql":
                session.execute(sa.text("SELECT pg_advisory_xact_lock(7242)"))
            yield session
            session.flush()
            noted = session.info.get("audit_head")
        self._changes += 1
        if noted is not None:
            self._note_head(noted)

    def revision(self, session: Session) -> tuple[int, int]:
        """Another pair after every change: this program's own are counted, others lengthen the audit chain.

        Ask before anything else in the session, so that what is looked up is at least as new as the pair says.
        """
        return self._changes, session.scalar(sa.select(sa.func.max(Audit.seq))) or 0

    def _note_head(self, head: tuple[int, str]) -> None:
        """Keep the end of the audit chain outside the database, so that a chain cut short is seen.

        The change itself is kept by now. A note that cannot be written is left out: the
        older one still holds, and refusing here would call a kept change lost.
        """
        path = self.folder / "audit.head"
        # A name of its own for every writer, so that two never share a half-written file.
        part = path.with_suffix(f".{os.getpid()}-{threading.get_ident()}.part")
        with self._heads:
            noted = self.noted_head()
            if noted is not None and noted[0] >= head[0]:
                return  # a later writer was quicker
            try:
                part.write_text(f"{head[0]} {head[1]}\n", encoding="ascii")
                os.replace(part, path)
            except OSError as error:
                _log.warning("the end of the audit trail could not be noted: %s", type(error).__name__)

    def noted_head(self) -> tuple[int, str] | None:
        """The end of the audit chain as noted outside the database, if it was."""
        try:
            number, digest = (self.folder / "audit.head").read_text(encoding="ascii").split()
            return int(number), digest
        except (FileNotFoundError, ValueError):
            return None

    def _migrate(self) -> None:
        config = Config()
        config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
        config.set_main_option("path_separator", "os")
        with self.engine.execution_options(writes=True).connect() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            connection.commit()


_TROUBLES = {
    "locked": "another program keeps it busy",
    "full": "the disk is full",
    "readonly": "it is read-only",
    "disk i/o": "the disk cannot be read or written",
    "unable to open": "its file cannot be opened",
}


@contextmanager
def _in_words() -> Iterator[None]:
    """What the database refuses for reasons of the machine, as a refusal in words; its own text may name a path."""
    try:
        yield
    except sa.exc.OperationalError as error:
        text = str(error.orig).lower()
        found = next((words for part, words in _TROUBLES.items() if part in text), type(error.orig).__name__)
        raise RecordError(
            f"The record could not be used: {found}. What was kept before is safe, this change was not made. Put that "
            "right (space on the disk, rights of the data folder, other programs), then try again."
        ) from None


def _sqlite_connect(connection: Any, _record: Any) -> None:
    # The driver's own habit of opening transactions late would let two writers read the same end of the chain.
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA busy_timeout=20000")
    cursor.close()


def _sqlite_begin(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
