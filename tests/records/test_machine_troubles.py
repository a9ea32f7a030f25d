"""A full disk, a read-only folder, another program, a clock set back: refusals in words, and nothing lost."""

import sqlite3
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from headstock.errors import RecordError
from headstock.records import Store, append_plan, audit_lines, check_chain, check_vault, write_line
from headstock.records.people import add_patient, hip_of


def _line(store: Store, now: datetime, action: str = "step kept") -> None:
    with store.writing() as session:
        write_line(session, at=now, who="reader", action=action, subject="film")


def test_a_full_disk_stops_in_words_without_a_path_and_the_chain_stays_whole(store: Store, now: datetime):
    _line(store, now)
    with store.session() as session:
        pages = session.connection().exec_driver_sql("PRAGMA page_count").scalar_one()
    # The database may not grow: what SQLite meets on a full disk.
    with store.writing() as session:
        session.connection().exec_driver_sql(f"PRAGMA max_page_count={pages}")
    with pytest.raises(RecordError, match=r"the disk is full.*this change was not made.*space on the disk") as stop:
        _line(store, now, "x" * 40_000)
    assert str(store.folder) not in str(stop.value)
    check_chain(store)


def test_a_record_kept_busy_by_another_program_is_refused_in_words_after_waiting(
    store: Store, now: datetime, monkeypatch: pytest.MonkeyPatch
):
    _line(store, now)
    other = sqlite3.connect(store.folder / "headstock.sqlite3", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        with store.session() as session:
            session.connection().exec_driver_sql("PRAGMA busy_timeout=50")
        with pytest.raises(RecordError, match=r"another program keeps it busy.*try again"):
            _line(store, now)
        with store.session() as session:  # looking is still possible
            assert len(audit_lines(session)) == 1
    finally:
        other.execute("ROLLBACK")
        other.close()
    _line(store, now)
    assert check_chain(store) == 2


def test_a_database_that_became_read_only_stops_in_words(store: Store, now: datetime):
    with store.session() as session:
        session.connection().exec_driver_sql("PRAGMA query_only=1")
    with pytest.raises(RecordError, match="it is read-only"):
        _line(store, now)


@pytest.mark.parametrize("name", ["vault", "spool", ""])
def test_a_data_folder_that_cannot_be_made_is_refused_with_the_way_out(tmp_path: Path, name: str):
    folder = tmp_path / "data"
    if name:
        folder.mkdir()
        (folder / name).write_bytes(b"a file where a folder must be")
    else:
        folder.write_bytes(b"a file where a folder must be")
    with pytest.raises(RecordError, match=r"cannot be made or written.*--data"):
        Store(folder)


def test_a_clock_set_back_does_not_break_the_chain(store: Store, now: datetime):
    for hours in (0, -48, 24, -1):
        _line(store, now + timedelta(hours=hours))
    assert check_chain(store) == 4


def test_the_note_of_the_end_never_goes_back_and_a_note_that_cannot_be_written_loses_no_change(
    store: Store, now: datetime, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
):
    for _ in range(3):
        _line(store, now)
    head = store.noted_head()
    store._note_head((2, "0" * 64))  # a slower writer comes second
    assert store.noted_head() == head

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("headstock.records.store.os.replace", full)
    _line(store, now)
    monkeypatch.undo()
    assert check_chain(store) == 4
    assert "OSError" in caplog.text
    _line(store, now)
    assert store.noted_head()[0] == 5


def _signed_with_picture(store: Store, now: datetime) -> Path:
    address = store.vault.put(b"the picture of a signed sheet")
    with store.writing() as session:
        someone = add_patient(session, number="T-1", name="Test", born=None, sex=None, now=now)
        payload = {"sheet": {"film": {"png": {"vault": address}}, "lateral": None}}
        append_plan(session, hip_id=hip_of(session, someone.id, "right").id, payload=payload, signer="A", now=now)
    return store.folder / "vault" / address[:2] / address


@pytest.mark.parametrize("change", ["removed", "changed"])
def test_a_picture_of_a_signed_sheet_changed_outside_is_found_at_the_start(store: Store, now: datetime, change: str):
    path = _signed_with_picture(store, now)
    assert check_vault(store) == 1
    if change == "removed":
        path.unlink()
    else:
        path.write_bytes(path.read_bytes().replace(b"signed", b"Signed"))
    with pytest.raises(RecordError, match=r"changed outside headstock.*picture.*signed sheet.*Restore"):
        check_vault(store)


def test_a_step_of_the_tables_that_postgresql_would_refuse_is_seen_here():
    """The tables and their types in PostgreSQL's own words; no server is needed for that."""
    from sqlalchemy.dialects import postgresql
    from sqlalchemy.schema import CreateIndex, CreateTable

    from headstock.records.tables import Base

    said = []
    for table in Base.metadata.sorted_tables:
        said.append(str(CreateTable(table).compile(dialect=postgresql.dialect())))
        said += [str(CreateIndex(index).compile(dialect=postgresql.dialect())) for index in table.indexes]
        types = {type(column.type).__module__ for column in table.columns}
        assert not any("sqlite" in name for name in types), table.name
    whole = "\n".join(said)
    assert whole.count("CREATE TABLE") == len(Base.metadata.tables)
    assert "JSON" in whole
    assert '"on" DATE' in whole  # a word of the language, quoted
