"""The audit trail and the signed plans: append-only, chained, checked at the start."""

import sqlite3
from datetime import datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from headstock.errors import RecordError
from headstock.records import Store, append_plan, audit_lines, canonical, check_chain, plan, plans_of, write_line
from headstock.records.people import add_patient, hip_of


def _some_lines(store: Store, now: datetime, count: int = 4) -> None:
    for number in range(count):
        with store.writing() as session:
            write_line(session, at=now, who="reader", action="step kept", subject="film", step=number)


def _signed(store: Store, now: datetime) -> tuple[str, str]:
    with store.writing() as session:
        someone = add_patient(session, number="T-1", name="Test", born=None, sex=None, now=now)
        hip = hip_of(session, someone.id, "right")
        signed = append_plan(session, hip_id=hip.id, payload={"level": "mid_head", "size": 3}, signer="A", now=now)
    return hip.id, signed.plan_id


def _tamper(store: Store, *statements: str) -> None:
    """Someone with the file and a database tool: drops the triggers, then changes rows."""
    with sqlite3.connect(store.folder / "headstock.sqlite3") as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert connection.execute(statement).rowcount > 0
    connection.close()


def test_a_whole_chain_holds_and_is_counted(store: Store, now: datetime):
    _some_lines(store, now)
    _signed(store, now)
    assert check_chain(store) == 5


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET who = 'someone else' WHERE seq = 2",
        "UPDATE audit SET detail = '{\"step\":9}' WHERE seq = 4",
        "UPDATE audit SET at = '2020-01-01T00:00:00+00:00' WHERE seq = 1",
        "DELETE FROM audit WHERE seq = 2",
        "DELETE FROM audit WHERE seq = 4",  # the end cut off
        "INSERT INTO audit SELECT 9, at, who, action, subject, detail, previous_hash, hash FROM audit WHERE seq = 4",
    ],
)
def test_a_row_edited_outside_is_found_at_the_start_and_the_words_say_how_to_go_on(
    store: Store, now: datetime, statement: str
):
    _some_lines(store, now)
    _tamper(store, statement)
    with pytest.raises(RecordError, match=r"changed outside headstock.*Restore.*backup.*--data"):
        check_chain(store)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE plan SET payload = replace(payload, '3', '4')",
        "UPDATE plan SET signed_by = 'B'",
        "DELETE FROM plan",
    ],
)
def test_a_signed_plan_edited_outside_is_found(store: Store, now: datetime, statement: str):
    _, plan_id = _signed(store, now)
    _tamper(store, statement)
    with pytest.raises(RecordError, match="changed outside headstock"):
        check_chain(store)
    if not statement.startswith("DELETE"):
        with store.session() as session, pytest.raises(RecordError, match="not as it was signed"):
            plan(session, plan_id)


@pytest.mark.parametrize("statement", ["UPDATE {} SET hash = 'x'", "DELETE FROM {}"])
@pytest.mark.parametrize("table", ["plan", "audit"])
def test_the_database_itself_refuses_to_change_what_is_signed(store: Store, now: datetime, table: str, statement: str):
    _signed(store, now)
    with store.writing() as session, pytest.raises(sa.exc.IntegrityError, match="append-only"):
        session.execute(sa.text(statement.format(table)))


def test_a_newer_plan_supersedes_the_older_which_stays_as_signed(store: Store, now: datetime):
    hip_id, first = _signed(store, now)
    with store.writing() as session:
        append_plan(session, hip_id=hip_id, payload={"level": "high_neck"}, signer="A", now=now)
    with store.session() as session:
        newest, older = plans_of(session, hip_id)
    assert (newest.version, newest.superseded) == (2, False)
    assert (older.plan_id, older.superseded, older.payload) == (first, True, {"level": "mid_head", "size": 3})


def test_a_change_that_fails_leaves_neither_a_row_nor_a_line(store: Store, now: datetime):
    with pytest.raises(RuntimeError), store.writing() as session:  # noqa: PT012 - the change and its failure belong together
        write_line(session, at=now, who="reader", action="begun", subject="film")
        raise RuntimeError("power cut")
    with store.session() as session:
        assert audit_lines(session) == []
    assert check_chain(store) == 0


def test_a_number_that_is_not_json_is_refused_before_it_is_hashed():
    with pytest.raises(ValueError):
        canonical({"angle": float("nan")})


def test_equal_content_has_equal_bytes_whatever_the_order():
    assert canonical({"b": 1, "a": [1.5, "é"]}) == canonical({"a": [1.5, "é"], "b": 1}) == '{"a":[1.5,"é"],"b":1}'


def test_a_record_of_a_newer_program_is_refused_unchanged(tmp_path: Path):
    Store(tmp_path).close()
    with sqlite3.connect(tmp_path / "headstock.sqlite3") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(RecordError, match="newer headstock"):
        Store(tmp_path)


def test_a_file_that_is_no_database_is_refused_unchanged(tmp_path: Path):
    (tmp_path / "headstock.sqlite3").write_bytes(b"not a database, but long enough to be read as one" * 40)
    with pytest.raises(RecordError, match=r"cannot be opened.*--data"):
        Store(tmp_path)


def test_the_tables_of_the_migrations_are_those_of_the_code(store: Store):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from headstock.records.tables import Base

    with store.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []


def test_writers_from_several_threads_keep_one_unbroken_chain(store: Store, now: datetime):
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(4) as pool:
        for done in [pool.submit(_some_lines, store, now, 10) for _ in range(4)]:
            done.result()
    assert check_chain(store) == 40
