"""Bring films in: every file gets one line, films become part of a patient, slices are kept, nothing is lost.

In: paths of files, folders, zips. Out: `Brought`, one a file. Running it twice
over the same files changes nothing: content is recognised.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.desk.desk import Desk
from headstock.desk.films import film_words, own_side
from headstock.desk.headers import header_from_json, header_to_json, view_of
from headstock.desk.owner import hip_to_open, owner_of
from headstock.desk.scans.taking import addresses_of, take_series
from headstock.desk.words import count_words, list_words
from headstock.errors import GuardError
from headstock.images.importing import (
    Accepted,
    Directory,
    Duplicate,
    ImportItem,
    KnownFilm,
    NotAFilm,
    Refused,
    open_sources,
    open_uploads,
    scans_in_words,
)
from headstock.images.nifti import modality_of_name
from headstock.images.scan import ScanModality
from headstock.records import stamp, write_line
from headstock.records.people import film, hip_of, new_id
from headstock.records.tables import FilmRow, SetAside

__all__ = ["Brought", "bring_bytes", "bring_in", "settled", "summary_words"]

_TOGETHER = 200  # slices entered into the record at once
Outcome = Literal["imported", "already_here", "set_aside", "refused"]


@dataclass(frozen=True, slots=True)
class Brought:
    """What happened to one file, or to one series of slices; the hip and the film or scan it became, if it did."""

    name: str
    outcome: Outcome
    says: str
    hip_id: str | None = None
    film_id: str | None = None
    scan_id: str | None = None


def bring_in(
    desk: Desk,
    paths: Sequence[Path],
    *,
    who: str,
    now: datetime,
    into: str | None = None,
    modality: ScanModality | None = None,
    rename: Callable[[str], str] = lambda name: name,
) -> Iterator[Brought]:
    """Bring in everything the paths hold, one line a file, as it goes.

    `into`: the hip that pictures without an identity belong to. `modality`: what the
    NIfTI files among them are; else the end of each one's name says it, else its
    numbers. `rename` turns the name a file has on disk into the name its owner knows.
    """
    with desk.store.session() as session:
        known = _known_films(desk, session)
    inbox = _Inbox(desk, who, now, into, lambda name: modality or modality_of_name(rename(name)))
    for line in _take(inbox, open_sources(paths, known=known)):
        yield replace(line, name=rename(line.name))


def bring_bytes(
    desk: Desk, files: Iterable[tuple[str, bytes]], *, who: str, now: datetime, into: str | None = None
) -> Iterator[Brought]:
    """As `bring_in`, for (name, bytes)."""
    with desk.store.session() as session:
        known = _known_films(desk, session)
    yield from _take(_Inbox(desk, who, now, into, modality_of_name), open_uploads(files, known=known))


def _take(inbox: "_Inbox", items: Iterable[ImportItem]) -> Iterator[Brought]:
    for item in items:
        line = inbox.take(item)
        if line is not None:
            yield line
    yield from inbox.told_later()


def summary_words(lines: Sequence[Brought]) -> str:
    """The import in one sentence."""
    scans = sum(line.outcome == "imported" and line.scan_id is not None for line in lines)
    counts = {outcome: sum(line.outcome == outcome for line in lines) for outcome in ("imported", "already_here")}
    aside = sum(line.outcome == "set_aside" for line in lines)
    refused = sum(line.outcome == "refused" for line in lines)
    brought = [count_words(counts["imported"] - scans, "film")] + ([count_words(scans, "scan")] if scans else [])
    parts = [" and ".join(brought) + " imported"]
    if counts["already_here"]:
        parts.append(f"{counts['already_here']} already here")
    if aside:
        parts.append(f"{aside} kept aside")
    if refused:
        parts.append(f"{refused} refused")
    text = list_words(parts)
    return text[0].upper() + text[1:] + "."


class _Inbox:
    """One import under way: what it knows of the record, and the series it keeps aside."""

    def __init__(
        self, desk: Desk, who: str, now: datetime, into: str | None, said_of: Callable[[str], ScanModality | None]
    ) -> None:
        self.desk, self.who, self.now, self.into, self.said_of = desk, who, now, into, said_of
        self.aside: dict[str, list[NotAFilm]] = {}
        self.waiting: dict[str, NotAFilm] = {}
        self.addresses: dict[str, str] = {}

    def take(self, item: ImportItem) -> Brought | None:
        """What becomes of one file; None when it is told later, with its series."""
        match item:
            case Accepted():
                try:
                    return self._film(item)
                except GuardError as stop:
                    return Brought(item.name, "refused", str(stop))
            case Duplicate():
                return self._known(item)
            case NotAFilm():
                self._keep_aside(item)
                return None
            case Directory():
                return Brought(item.name, "set_aside", item.in_words)
            case Refused():
                return Brought(item.name, "refused", item.reason)

    def told_later(self) -> Iterator[Brought]:
        """One line for each series kept aside."""
        if self.waiting:
            self.settle()
        for series, slices in self.aside.items():
            folder = slices[0].name.rpartition("/")[0] or slices[0].name
            name = f"{folder} ({count_words(len(slices), 'file')})"
            with self.desk.store.session() as session:
                addresses = addresses_of(session, series) if series else [self.addresses[item.name] for item in slices]
            taken = take_series(
                self.desk,
                series,
                addresses,
                who=self.who,
                now=self.now,
                into=self.into,
                modality=self.said_of(slices[0].name),
            )
            says = taken.says if taken.outcome != "set_aside" else f"{taken.says} {' '.join(scans_in_words(slices))}"
            yield Brought(name, taken.outcome, says, taken.hip_id, scan_id=taken.scan_id)

    def _film(self, item: Accepted) -> Brought:
        address = self.desk.store.vault.put(item.film_bytes)
        picture, header = item.film, item.film.header
        with self.desk.store.writing() as session:
            row = session.scalar(sa.select(FilmRow).where(FilmRow.sha256 == address))
            if row is not None:
                return Brought(item.name, "already_here", "Already here.", _hip_to_open(session, row), row.id)
            patient = owner_of(session, header, item.film.content_sha256, what="image", now=self.now, into=self.into)
            row = FilmRow(
                id=new_id(),
                patient_id=patient.id,
                sha256=address,
                pixels_sha256=picture.pixels_sha256,
                source_name=item.name[-500:],
                view=view_of(header),
                taken=header.study_date,
                header=header_to_json(header)
                | {
                    "rows": picture.rows,
                    "cols": picture.cols,
                    "pixel_aspect": picture.pixel_aspect,
                    "frames": picture.frames,
                },
                imported_at=stamp(self.now),
                scale_inputs={},
            )
            session.add(row)
            session.flush()
            side = own_side(row)
            if side is not None:
                hip_of(session, patient.id, side).under_study = True
            write_line(
                session,
                at=self.now,
                who=self.who,
                action="film imported",
                subject=row.id,
                sha256=address,
                view=row.view,
            )
            says = film_words(row) + (f", {side} hip" if side else "") + "."
            if row.view is None:
                says += " Its header does not say which view it is: say so when you open it."
            return Brought(item.name, "imported", " ".join([says, *item.notes]), _hip_to_open(session, row), row.id)

    def _known(self, item: Duplicate) -> Brought:
        with self.desk.store.session() as session:
            row = session.get(FilmRow, item.same_as)
            if row is None:  # the same film twice within this import
                return Brought(item.name, "already_here", item.in_words)
            return Brought(item.name, "already_here", "Already here.", _hip_to_open(session, row), row.id)

    def _keep_aside(self, item: NotAFilm) -> None:
        address = self.desk.store.vault.put(item.file_bytes, durable=False)
        self.waiting[address] = replace(item, file_bytes=b"")
        self.addresses[item.name] = address
        self.aside.setdefault(item.series_uid, []).append(self.waiting[address])
        if len(self.waiting) >= _TOGETHER:
            self.settle()

    def settle(self) -> None:
        """Make the slices kept so far durable and enter them into the record, all at once."""
        self.desk.store.vault.settle(self.waiting)
        with self.desk.store.writing() as session:
            for address, item in self.waiting.items():
                if session.get(SetAside, address) is None:
                    session.add(
                        SetAside(
                            sha256=address,
                            name=item.name[-500:],
                            study_uid=item.study_uid or None,
                            series_uid=item.series_uid or None,
                            says=item.in_words,
                            imported_at=stamp(self.now),
                        )
                    )
        self.waiting.clear()


def _hip_to_open(session: Session, row: FilmRow) -> str:
    return hip_to_open(session, row.patient_id, own_side(row))


def settled(desk: Desk, lines: Sequence[Brought]) -> list[Brought]:
    """The lines again once everything is in: a pelvis film leads to the hip that later films put under study."""
    with desk.store.session() as session:
        return [
            line if line.film_id is None else replace(line, hip_id=_hip_to_open(session, film(session, line.film_id)))
            for line in lines
        ]


def _known_films(desk: Desk, session: Session) -> list[KnownFilm]:
    """The films here; one whose file the vault has lost is not known, so that importing it again puts it back."""
    return [
        KnownFilm(
            name=row.id,
            content_sha256=row.sha256,
            pixels_sha256=row.pixels_sha256,
            header=header_from_json(row.header),
            frames=int(row.header.get("frames") or 1),
        )
        for row in session.scalars(sa.select(FilmRow))
        if row.sha256 in desk.store.vault
    ]
