"""Scans from the files of a series: CT and MR, one slice a file or all in one.

In: bytes or paths of DICOM slices; or folders, zips and media that hold them. Out: `Scan`s with findings, or
refusals in words. The grid comes from position and orientation of every slice (DICOM PS3.3 C.7.6.2.1.1).
Words of findings: docs/scans.md. Decisions: docs/decisions/0200-places-of-slices.md, 0201, 0202.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from headstock.errors import AmbiguousError, FrameError, ImageError
from headstock.geometry.grid import Grid
from headstock.images._guard import refusing
from headstock.images._header import SIDES, film_header, text
from headstock.images._scan_findings import coarse_findings, field_findings
from headstock.images._scan_geometry import Stack, sort_slices
from headstock.images._scan_pixels import AIR_HU, Volume, check_scales, scaled_picture, volume_of
from headstock.images._scan_slice import Slice, slices_of
from headstock.images.importing import NotAFilm, Refused, open_sources, open_uploads
from headstock.images.limits import ImportLimits, ReadLimits
from headstock.images.nifti import is_nifti, modality_of_name, read_nifti
from headstock.images.read import quiet
from headstock.images.resample import squared
from headstock.images.scan import Finding, Scan, ScanHeader, ScanModality
from headstock.images.scan_limits import COMMON, ScanLimits

__all__ = ["ScanSet", "open_scan_uploads", "open_scans", "scan_of_files", "scans_of_files"]

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True, eq=False)
class ScanSet:
    """Scans that were opened, and what was not: (what it is, why)."""

    scans: tuple[Scan, ...]
    refused: tuple[tuple[str, str], ...]


def scan_of_files(
    files: Sequence[bytes | Path],
    *,
    limits: ScanLimits | None = None,
    progress: Progress | None = None,
    modality: ScanModality | None = None,
) -> Scan:
    """The one scan in the files of a series, in any order. `modality`: of a NIfTI file, as a person says it.

    Raises
    ------
    ImageError
        Not slices of one series; or no volume, a stretched one, or more than one can be made of them.
    AmbiguousError
        A NIfTI file of which nobody said whether it is CT or MR, and whose numbers do not tell.
    """
    found = scans_of_files(files, limits=limits, progress=progress, modality=modality)
    if len(found.scans) == 1 and not found.refused:
        return found.scans[0]
    if not found.scans and len(found.refused) == 1:
        raise ImageError(found.refused[0][1])
    parts = [_part_words(scan) for scan in found.scans] + [f"{what} (refused: {why})" for what, why in found.refused]
    raise ImageError(
        f"The series holds {len(parts)} sets of slices that are no one volume: {'; '.join(parts)}. "
        "Choose one of them, or export one reconstruction alone."
    )


def scans_of_files(
    files: Sequence[bytes | Path],
    *,
    limits: ScanLimits | None = None,
    progress: Progress | None = None,
    modality: ScanModality | None = None,
) -> ScanSet:
    """Every scan in the files of one series: echoes, time points and reconstructions that share its number apart.

    One NIfTI file is a series of its own; `modality` says what it is. DICOM says that itself.

    Raises
    ------
    ImageError
        Not slices of one series, or none that says where it lies.
    AmbiguousError
        A NIfTI file of which nobody said whether it is CT or MR, and whose numbers do not tell.
    """
    limits = limits or COMMON
    reading = ReadLimits()
    if len(files) == 1 and is_nifti(files[0]):
        return ScanSet((read_nifti(files[0], modality=modality, limits=limits),), ())
    slices = [s for file in files for s in slices_of(file, reading)]
    if not slices:
        raise ImageError("There is no slice. Give the files of one series.")
    _check_one_series(slices)
    found = sort_slices(slices, lambda s: scaled_picture(s, reading))
    scans: list[Scan] = []
    refused = list(found.refused)
    for stack in found.stacks:
        try:
            notes = (*found.aside, _split_note(len(found.stacks) + len(found.refused), stack))
            scans.append(_scan(stack, len(files), notes, limits, reading, progress))
        except ImageError as why:
            refused.append((stack.called or f"{len(stack.slices)} slices", str(why)))
    return ScanSet(tuple(scans), tuple(refused))


def open_scans(
    paths: Iterable[Path],
    *,
    limits: ScanLimits | None = None,
    importing: ImportLimits | None = None,
    modality: ScanModality | None = None,
) -> ScanSet:
    """Every scan under the paths: folders, zips, a medium's directory, files; DICOM or NIfTI.

    Films and other files that are no slices are passed over. Names inside archives are never used as paths.
    `modality`: of NIfTI files, as a person says it; else the end of each one's name says it, else its numbers.
    """
    return _by_series(open_sources(paths, limits=importing), limits, modality)


def open_scan_uploads(
    files: Iterable[tuple[str, bytes]], *, limits: ScanLimits | None = None, importing: ImportLimits | None = None
) -> ScanSet:
    """As `open_scans`, for names and bytes as a browser sends them."""
    return _by_series(open_uploads(files, limits=importing), limits)


def _by_series(items: Iterable[object], limits: ScanLimits | None, modality: ScanModality | None = None) -> ScanSet:
    series: dict[tuple[str, str], list[NotAFilm]] = {}
    refused: list[tuple[str, str]] = []
    scans: list[Scan] = []
    for item in items:
        if isinstance(item, NotAFilm):
            series.setdefault((item.study_uid, item.series_uid), []).append(item)
        elif isinstance(item, Refused):
            refused.append((item.name, item.reason))
    for slices in series.values():
        first = slices[0]
        called = f"{first.modality or 'NIfTI'} series" + (
            f" “{first.series_description}”" if first.series_description else ""
        )
        try:
            said = modality or modality_of_name(first.name)
            found = scans_of_files([s.file_bytes for s in slices], limits=limits, modality=said)
        except (ImageError, AmbiguousError) as why:
            refused.append((called, str(why)))
            continue
        scans.extend(found.scans)
        refused.extend((f"{called}, {what}", why) for what, why in found.refused)
    return ScanSet(tuple(scans), tuple(refused))


def _check_one_series(slices: Sequence[Slice]) -> None:
    """Refuse slices of two patients, series or frames: their positions have nothing to do with each other."""
    files = {id(s.file): s.file for s in slices}.values()
    modalities = {file.modality for file in files}
    if len(modalities) > 1:
        raise ImageError("CT and MR slices lie together. Open one series at a time.")
    with quiet():
        for keyword, words in (
            ("PatientID", "patient numbers"),
            ("SeriesInstanceUID", "series"),
            ("FrameOfReferenceUID", "frames of reference"),
        ):
            stated = {text(file.header, keyword) for file in files} - {""}
            if len(stated) > 1:
                raise ImageError(
                    f"The slices belong to {len(stated)} different {words}, so their positions cannot be put together. "
                    "Open one series at a time."
                )


def _split_note(parts: int, stack: Stack) -> Finding | None:
    if parts < 2:
        return None
    return Finding(
        "split",
        "warn",
        f"The series holds {parts} sets of slices that are no one volume. This is one of them"
        + (f" ({stack.called})" if stack.called else "")
        + f", with {len(stack.slices)} slices. Check that it is the one you mean.",
    )


def _part_words(scan: Scan) -> str:
    split = next((f for f in scan.findings if f.code == "split"), None)
    called = split.says.split("one of them", 1)[1].split(")")[0].strip(" (.") if split and "(" in split.says else ""
    return f"{scan.grid.shape[0]} slices" + (f", {called}" if called else "")


def _scan(
    stack: Stack,
    files: int,
    notes: Sequence[Finding | None],
    limits: ScanLimits,
    reading: ReadLimits,
    progress: Progress | None,
) -> Scan:
    """The scan of a sound stack."""
    first = stack.slices[0]
    modality = first.file.modality
    limits.check_size(len(stack.slices), first.rows, first.columns)
    with quiet(), refusing("The header of a slice is damaged. Export the series again."):
        check_scales(stack.slices)
        header = _header(stack.slices, files)
    values, padded = volume_of(stack.slices, reading, progress)
    findings = [note for note in notes if note is not None]
    findings += stack.findings
    findings += _scale_findings(stack)
    if modality == "CT":
        findings += field_findings(values, padded, stack.slices[0])
    volume, grid = _on_a_grid(stack, values, limits)
    findings += coarse_findings(grid, limits)
    volume.flags.writeable = False
    return Scan(volume, grid, modality, header, tuple(findings))


def _on_a_grid(stack: Stack, values: Volume, limits: ScanLimits) -> tuple[Volume, Grid]:
    """The stack's numbers on a square grid, moved only where they must be."""
    first = stack.slices[0]
    assert first.spacing_mm is not None
    pixel = np.array(first.spacing_mm)
    if stack.even and stack.straight:
        across = stack.across_mm.mean(axis=0)
    else:
        wider = np.ptp(stack.across_mm, axis=0) / pixel
        limits.check_size(len(stack.slices), first.rows + int(wider[1]), first.columns + int(wider[0]))
        outside = AIR_HU if first.file.modality == "CT" else 0
        at_px = stack.across_mm / pixel
        if stack.straight:
            at_px = np.broadcast_to(at_px.mean(axis=0), at_px.shape)
        along = stack.along_mm
        if stack.even:  # what is left is rounding of the header: no slice is interpolated for it, or lost
            along = along[0] + stack.step_mm * np.arange(len(along))
        moved, at = squared(values, along, at_px, stack.step_mm, outside)
        across = at * pixel
        values = np.rint(moved).astype(np.int16) if values.dtype == np.int16 else moved
    origin = stack.axes @ np.array([*across, stack.along_mm[0]])
    try:
        grid = Grid(origin, stack.axes, np.array([*pixel, stack.step_mm]), values.shape)
    except FrameError as why:
        raise ImageError(str(why)) from why
    return values, grid


def _scale_findings(stack: Stack) -> tuple[Finding, ...]:
    scales = {(s.slope, s.intercept) for s in stack.slices}
    if len(scales) < 2:
        return ()
    return (
        Finding(
            "scaling_varies",
            "note",
            f"The slices are scaled in {len(scales)} different ways; each by what it states.",
        ),
    )


def _header(slices: Sequence[Slice], files: int) -> ScanHeader:
    """What the files said of patient, study and making."""
    first = slices[0]
    ds = first.file.header
    film = film_header(ds)
    side = film.laterality
    if not film.laterality_text:
        # An enhanced object states the side of each frame (PS3.3 C.7.6.16.2.8), and of the whole no more.
        framed = {one.laterality for one in slices}
        side = SIDES.get(framed.pop()) if len(framed) == 1 else None
    return ScanHeader(
        series_uid=film.series_uid,
        study_uid=film.study_uid,
        frame_of_reference_uid=text(ds, "FrameOfReferenceUID"),
        patient_number=film.patient_number,
        patient_name=film.patient_name,
        birth_date=film.birth_date,
        sex=film.sex,
        taken=film.study_date,
        side=side,
        description=film.series_description,
        kernel=dict(first.made)["kernel"],
        kvp=first.kvp,
        slice_thickness_mm=first.thickness_mm,
        files=files,
    )
