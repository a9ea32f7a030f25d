"""Scan and film of one hip side by side: their measures, and the planned film beside the real one."""

from datetime import date

import numpy as np

from headstock.anatomy.scan.agreement import Agreement, FilmGeometry, agreement
from headstock.desk.compare import best_of
from headstock.desk.desk import Desk
from headstock.desk.films import film_words
from headstock.desk.headers import header_from_json
from headstock.desk.place import current_placement
from headstock.desk.scan_pages import AgreementPage, AgreementRowOut, PlannedFilmOut
from headstock.desk.scans.pictures import planned_grey, png, space_rgb
from headstock.desk.scene import FilmPart, Scene, scene_of
from headstock.desk.words import number
from headstock.errors import RecordError, TooFewError
from headstock.images.grey import presentation
from headstock.implants import CutLevel, Placement
from headstock.records import sha256_hex

__all__ = ["agreement_page", "planned_film_page", "planned_film_png", "real_film_png", "space_png"]

_HALF_APART_MM = 85.0  # between a head centre and the middle of the pelvis, in adults; common practice, no source
_RAY_BELOW_MM = (
    -20.0
)  # the central ray of a pelvis film below the heads, on films of this kind; common practice, no source
_USUAL_MAGNIFICATION = (
    1.18  # where a film says mm per pixel but not how large it shows things; published means 1.14 to 1.21
)
_NO_FILM = "No AP film of this hip is read and scaled, so there is nothing to hold the scan against."


def agreement_page(desk: Desk, hip_id: str, *, today: date) -> AgreementPage:
    """Measures from the scan and from the film, their difference, and what explains it."""
    scene = scene_of(desk, hip_id, today=today)
    if scene.scan is None:
        raise TooFewError("No scan of this hip was read. Find the bone in it first.")
    if scene.film is None:
        return AgreementPage(
            hip_id=hip_id, rows=[], says=(scene.film_says if scene.state.ap is not None else "") or _NO_FILM
        )
    scan, film = scene.scan, scene.film
    found: Agreement = desk.answers.get(
        ("agreement", scene.basis),
        lambda: agreement(scan.read.hip, film.hip, _geometry(scene, film)),
    )
    return AgreementPage(
        hip_id=hip_id,
        rows=[
            AgreementRowOut(
                key=row.key,
                label=row.label,
                scan=None if row.scan is None else number(row.key, row.label, row.scan),
                film=None if row.film is None else number(row.key, row.label, row.film),
                difference=None
                if row.difference is None
                else number(f"{row.key}_difference", "film minus scan", row.difference, signed=True),
                explained=None
                if row.explained is None
                else number(f"{row.key}_explained", "explained", row.explained, signed=True),
                says=row.says,
            )
            for row in found.rows
        ],
        says=found.says,
    )


def _geometry(scene: Scene, film: FilmPart) -> FilmGeometry:
    """How the AP film was taken, as its header and its scale say; a film of the pelvis is centred between the hips."""
    header = header_from_json(film.ap.header)
    source = header.source_detector_mm or scene.limits.setting("assumed_source_detector_mm")
    aside = 0.0
    pelvis = film.ap.view == "ap_pelvis"
    if pelvis:
        other = scene.measures_of_film.get("head_centres_apart_mm")
        aside = 0.5 * other.number if other is not None and other.known else _HALF_APART_MM
    return FilmGeometry(
        source,
        film.ap_scale.magnification or _USUAL_MAGNIFICATION,
        ray_medial_mm=aside,
        ray_proximal_mm=_RAY_BELOW_MM if pelvis else 0.0,
    )


def planned_film_page(desk: Desk, hip_id: str, *, today: date) -> PlannedFilmOut:
    """The planned film and the real one."""
    scene = scene_of(desk, hip_id, today=today)
    if scene.scan is None:
        raise TooFewError("The planned film is projected from a scan, and no scan of this hip was read.")
    placement, _ = current_placement(desk, scene)
    mark = f"{scene.basis[:12]}-{sha256_hex(repr(placement).encode())[:12]}"
    real = scene.film.ap if scene.film is not None else scene.state.ap
    return PlannedFilmOut(
        planned=f"/api/hips/{hip_id}/planned-film.png?v={mark}",
        film=None if real is None else f"/api/hips/{hip_id}/film-beside.png?v={real.id}",
        words="The scan projected as an AP film, with the part in place; the patient lies as the scanner saw them."
        + ("" if real is None else f" Beside it: {film_words(real)}."),
        taken=None if real is None else real.taken,
    )


def planned_film_png(desk: Desk, hip_id: str, *, today: date) -> bytes:
    """The planned film as a picture."""
    scene = scene_of(desk, hip_id, today=today)
    placement, _ = current_placement(desk, scene)
    return png(planned_grey(scene, placement, desk.catalogue).grey)


def real_film_png(desk: Desk, hip_id: str, *, today: date) -> bytes:
    """The part of the real AP film around this hip, as large as the planned one where its scale is known."""
    scene = scene_of(desk, hip_id, today=today)
    row = scene.film.ap if scene.film is not None else scene.state.ap
    if row is None:
        raise RecordError(_NO_FILM)
    film = desk.film(row.id)
    grey = (255.0 * np.clip(presentation(film), 0.0, 1.0)).astype(np.uint8)
    if scene.film is not None and scene.film.hip.ap.axes is not None:
        view = scene.film.hip.ap
        assert view.axes is not None
        col, line = view.axes.to_px(view.head_centre_mm[:1])[0]
        mm_per_col, mm_per_row = view.axes.mm_per_px
        half_w, above, below = 75.0 / mm_per_col, 60.0 / mm_per_row, 110.0 / mm_per_row
        grey = grey[
            max(0, int(line - above)) : int(line + below) + 1, max(0, int(col - half_w)) : int(col + half_w) + 1
        ]
    return png(grey)


def _at(desk: Desk, scene: Scene, level: CutLevel) -> Placement | None:
    if scene.state.hip.chosen_level == level.value:
        return current_placement(desk, scene)[0]
    return best_of(desk, scene, level).placement


def space_png(desk: Desk, hip_id: str, level: str, *, today: date) -> bytes:
    """The hip in space with the part of a level, always from the same camera."""
    scene = scene_of(desk, hip_id, today=today)
    placement = _at(desk, scene, CutLevel(level))
    key = ("space picture", scene.basis, level, repr(placement))
    picture: bytes = desk.answers.get(key, lambda: png(space_rgb(scene, placement, desk.catalogue)))
    return picture
