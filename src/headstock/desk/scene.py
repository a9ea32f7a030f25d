"""One hip ready for planning: what was read of its films and its scan, with its signs, facts and limits.

In: the record. Out: `Scene`, kept in memory under a fingerprint of everything it
was made from, so that an answer can never be of older inputs. A hip whose scan was
read is planned on the scan; its films, where they are read, add what a scan of one hip
cannot tell: leg length and offset between the sides.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from headstock.anatomy import Reading, film_hip
from headstock.anatomy.cautions import HipFacts
from headstock.anatomy.filmhip import FilmHip
from headstock.anatomy.lesion import lesion_extent
from headstock.anatomy.osteonecrosis import RawSigns
from headstock.desk.desk import Desk
from headstock.desk.facts import hip_facts
from headstock.desk.films import film_words
from headstock.desk.guards import scan_unfit
from headstock.desk.hips import HipState, gather
from headstock.desk.limits import limits_in_force
from headstock.desk.readings import SEED, make_reading, measures_of, reading_state
from headstock.desk.scales import FilmScales, film_scales
from headstock.desk.scans.reading import ScanScene, scan_scene, stops_of
from headstock.desk.scans.rows import scan_words
from headstock.errors import CalibrationError, HeadstockError, TooFewError
from headstock.images.scale import Scale
from headstock.measured import DRAWS, Measured
from headstock.planning.appraise import Targets
from headstock.planning.limits import Limits
from headstock.planning.prepared import PreparedHip, prepare
from headstock.planning.space.fields import SpaceHip, prepare_space
from headstock.records import canonical
from headstock.records.people import facts_of
from headstock.records.tables import FactRow, FilmRow, ScanRow

__all__ = ["LIVE", "FilmPart", "ScanPart", "Scene", "scene_of"]

LIVE = 200  # draws while a part is dragged


@dataclass(frozen=True, slots=True, eq=False)
class FilmPart:
    """The films of a hip, read, scaled and prepared."""

    ap: FilmRow
    ap_scale: Scale
    lateral: FilmRow | None
    lateral_scale: Scale | None
    reading: Reading
    hip: FilmHip
    prepared: PreparedHip
    live: PreparedHip

    @property
    def rows(self) -> list[FilmRow]:
        """The films the numbers rest on."""
        return [self.ap, *([self.lateral] if self.lateral is not None else [])]

    @property
    def words(self) -> str:
        """Which scales the numbers rest on."""
        words = f"{film_words(self.ap)}: {self.ap_scale.source}, {self.ap_scale.mm_per_px:.4f} mm per pixel at the hip"
        if self.lateral is not None and self.lateral_scale is not None:
            words += (
                f". {film_words(self.lateral)[:1].upper()}{film_words(self.lateral)[1:]}: {self.lateral_scale.source}, "
                f"{self.lateral_scale.mm_per_px:.4f} mm per pixel"
            )
        return words


@dataclass(frozen=True, slots=True, eq=False)
class ScanPart:
    """The scan a hip is planned on, with its fields."""

    row: ScanRow
    read: ScanScene
    space: SpaceHip

    @property
    def words(self) -> str:
        """Where millimetres come from."""
        size = " x ".join(f"{step:.2f}" for step in self.read.scan.grid.spacing_mm)
        return f"{scan_words(self.row)}: millimetres of the scanner, voxels of {size} mm"


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything planning reads of one hip. `basis` is the fingerprint of it all.

    At least one of `film` and `scan` is there; with `scan` the hip is planned in space.
    `film_says`: why there is no film part although there is a film.
    """

    state: HipState
    basis: str
    film: FilmPart | None
    scan: ScanPart | None
    film_says: str
    measures: Mapping[str, Measured]
    measures_of_film: Mapping[str, Measured]
    extent: Mapping[str, Measured]
    signs: RawSigns
    facts: HipFacts
    limits: Limits
    targets: Targets

    @property
    def films(self) -> list[FilmRow]:
        """The films the numbers rest on."""
        return [] if self.film is None else self.film.rows

    @property
    def scale_words(self) -> str:
        """Where millimetres come from."""
        return ". ".join(part.words for part in (self.scan, self.film) if part is not None) + "."


def scene_of(desk: Desk, hip_id: str, *, today: date) -> Scene:
    """The hip ready for planning.

    Raises
    ------
    TooFewError
        Neither a scan nor an AP film is read far enough; the message says what is wanted.
    CalibrationError
        There is no scan, and the AP film has no scale, or its sources contradict.
    """
    with desk.store.session() as session:
        revision = desk.store.revision(session)
    # While a hand drags a part nothing in the record changes, and looking it all up again costs half the hand's wait.
    return desk.at_hand.get((hip_id, today, revision), lambda: _looked_up(desk, hip_id, today))


def _looked_up(desk: Desk, hip_id: str, today: date) -> Scene:
    limits = limits_in_force(desk)
    with desk.store.session() as session:
        state = gather(session, hip_id, limits, today)
        kept = facts_of(session, state.hip)
    read = _read_scan(desk, state, limits)
    film_says, scales = "", None
    try:
        scales = _film_scales(state, limits)
    except (TooFewError, CalibrationError) as stop:
        if read is None:
            raise
        film_says = str(stop)
    lateral = None
    if scales is not None:
        lateral = state.lateral if state.lateral is not None and state.lateral.id in state.readings else None
    basis = _basis(state, kept, limits, lateral, None if scales is None else state.ap, read)
    made = desk.hips.get(("scene", basis), lambda: _make(state, kept, limits, lateral, scales, read, film_says, basis))
    # What was computed is of these inputs; what was merely looked up (the chosen level, plans) is of now.
    film = made.film
    if film is not None and state.ap is not None:
        film = replace(film, ap=state.ap, lateral=lateral)
    scan = made.scan
    if scan is not None and state.scan is not None:
        scan = replace(scan, row=state.scan)
    return replace(made, state=state, film=film, scan=scan)


def _read_scan(desk: Desk, state: HipState, limits: Limits) -> ScanScene | None:
    """The scan, when it was read and may be planned on.

    Raises
    ------
    GuardError
        It was read, nothing may be planned on it, and there is no film to plan on instead.
    """
    if state.scan is None or not state.scan_is_read:
        return None
    found = scan_scene(desk, state.scan, state.hip.id, limits)
    if found.plannable:
        return found
    if state.ap is None or state.ap.id not in state.readings:
        scan_unfit(scan_words(state.scan), stops_of(state.scan, found))
    return None


def _film_scales(state: HipState, limits: Limits) -> FilmScales:
    if state.ap is None:
        raise TooFewError(
            "No AP film shows this hip, and no scan of it was read, so nothing can be planned. Bring one in."
        )
    if state.ap.id not in state.readings:
        raise TooFewError(f"The {film_words(state.ap)} is not read yet, so nothing can be planned. Read it first.")
    scales = film_scales(state.ap, limits)
    if scales.in_use is None:
        raise CalibrationError(
            f"The {film_words(state.ap)} has no scale to plan with. {scales.contradiction or scales.reason_for_none}"
        )
    return scales


def _basis(
    state: HipState,
    kept: Mapping[str, FactRow],
    limits: Limits,
    lateral: FilmRow | None,
    ap: FilmRow | None,
    read: ScanScene | None,
) -> str:
    def film(row: FilmRow | None) -> Any:
        if row is None:
            return None
        return [
            row.id, row.sha256, row.view, row.columns_to_left, row.scale_inputs, row.scale_kind, row.scale_settled_by,
            state.readings[row.id].draft_id, state.readings[row.id].step,
        ]  # fmt: skip

    content = {
        "hip": state.hip.id,
        "target": [state.hip.target_leg_mm, state.hip.target_offset_mm],
        "films": [film(ap), film(lateral)],
        "scan": None if read is None else [read.scan_id, read.basis],
        "facts": {key: row.seq for key, row in kept.items()},
        "limits": [[x.name, x.low, x.high, x.value, x.sd, x.status] for x in limits],
    }
    return hashlib.sha256(canonical(content).encode()).hexdigest()


def _make(
    state: HipState,
    kept: Mapping[str, FactRow],
    limits: Limits,
    lateral: FilmRow | None,
    scales: FilmScales | None,
    read: ScanScene | None,
    film_says: str,
    basis: str,
) -> Scene:
    film, measures, extent, signs = None, {}, {}, RawSigns.of({})
    if scales is not None and state.ap is not None:
        try:
            film, side_reading = _film_part(state, limits, lateral, scales)
        except HeadstockError as stop:
            if read is None:
                raise
            film_says = str(stop)
        else:
            measures = dict(
                measures_of(state.ap, reading_state(state.readings[state.ap.id]), state.side, scales, n_draws=DRAWS)
            )
            extent = dict(lesion_extent(film.hip))
            signs = signs_of(state, film.reading, side_reading, measures, kept)
    scan, of_film = None, dict(measures)
    if read is not None and state.scan is not None:
        space = prepare_space(
            read.scan, read.seg, read.hip, read.lesion, read.density, None if film is None else film.prepared
        )
        scan = ScanPart(state.scan, read, space)
        # A scan sees dead bone itself: what it measures of it goes before what films outline.
        extent |= {name: value for name, value in read.lesion.measures.items() if value.known}
        measures |= {
            f"{state.side.value}.{name}": value
            for name, value in read.hip.measures.items()
            if value.known and name != "collapse_depth_mm"
        }
        if film is None:
            signs = scan_signs(read, kept)
    return Scene(
        state=state,
        basis=basis,
        film=film,
        scan=scan,
        film_says=film_says,
        measures=measures,
        measures_of_film=of_film,
        extent=extent,
        signs=signs,
        facts=hip_facts(state.patient, kept, measures, state.today),
        limits=limits,
        targets=Targets(state.hip.target_leg_mm, state.hip.target_offset_mm),
    )


def _film_part(
    state: HipState, limits: Limits, lateral: FilmRow | None, scales: FilmScales
) -> tuple[FilmPart, Reading | None]:
    assert state.ap is not None
    assert scales.in_use is not None
    reading = make_reading(state.ap, reading_state(state.readings[state.ap.id]), state.side)
    side_reading = None
    side_scale = None
    if lateral is not None:
        side_reading = make_reading(lateral, reading_state(state.readings[lateral.id]), state.side)
        side_scale = film_scales(lateral, limits).in_use

    def hip(draws: int) -> FilmHip:
        return film_hip(reading, scales.in_use, side_reading, side_scale, state.side, n_draws=draws, seed=SEED)

    whole = hip(DRAWS)
    part = FilmPart(state.ap, scales.in_use, lateral, side_scale, reading, whole, prepare(whole), prepare(hip(LIVE)))
    return part, side_reading


def scan_signs(read: ScanScene, kept: Mapping[str, FactRow]) -> RawSigns:
    """Signs as far as a CT shows them: dead bone or a cyst, and its share of the head.

    How far the surface lies below the sphere is shown as a number and is no sign: sound heads are no spheres, and
    whether one has sunk is for a person to say.
    """
    signs: dict[str, Any] = {}
    if read.lesion.parts:
        signs["mri_or_scan_positive"] = True
        share = read.lesion.measures.get("share_of_head_percent")
        if share is not None and share.value is not None:
            signs["percent_head"] = share.value
    if "pain" in kept and isinstance(kept["pain"].value, bool):
        signs["pain"] = kept["pain"].value
    return RawSigns.of(signs)


def signs_of(
    state: HipState,
    reading: Reading,
    side_reading: Reading | None,
    measures: Mapping[str, Measured],
    kept: Mapping[str, FactRow],
) -> RawSigns:
    """Signs of both films together: seen on either counts; the depth is the measured one."""
    signs: dict[str, Any] = dict(side_reading.signs) if side_reading is not None else {}
    for name, value in reading.signs.items():
        signs[name] = (signs.get(name) is True or value is True) if isinstance(value, bool) else value
    depth = measures.get(f"{state.side.value}.collapse_depth_mm")
    if "depression_mm" not in signs and depth is not None and depth.value is not None:
        signs["depression_mm"] = max(depth.value, 0.0)
    if "pain" in kept and isinstance(kept["pain"].value, bool):
        signs["pain"] = kept["pain"].value
    return RawSigns.of(signs)
