"""One hip ready for planning: its films read, scaled and prepared, with its signs, facts and limits.

In: the record. Out: `Scene`, kept in memory under a fingerprint of everything it
was made from, so that an answer can never be of older inputs.
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
from headstock.desk.hips import HipState, gather
from headstock.desk.limits import limits_in_force
from headstock.desk.readings import SEED, make_reading, measures_of, reading_state
from headstock.desk.scales import FilmScales, film_scales
from headstock.errors import CalibrationError, TooFewError
from headstock.images.scale import Scale
from headstock.measured import DRAWS, Measured
from headstock.planning.appraise import Targets
from headstock.planning.limits import Limits
from headstock.planning.prepared import PreparedHip, prepare
from headstock.records import canonical
from headstock.records.people import facts_of
from headstock.records.tables import FactRow, FilmRow

__all__ = ["LIVE", "Scene", "scene_of"]

LIVE = 200  # draws while a part is dragged


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything planning reads of one hip. `basis` is the fingerprint of it all."""

    state: HipState
    basis: str
    ap: FilmRow
    ap_scale: Scale
    lateral: FilmRow | None
    lateral_scale: Scale | None
    reading: Reading
    measures: Mapping[str, Measured]
    extent: Mapping[str, Measured]
    hip: FilmHip
    prepared: PreparedHip
    live: PreparedHip
    signs: RawSigns
    facts: HipFacts
    limits: Limits
    targets: Targets

    @property
    def scale_words(self) -> str:
        """Which scales the numbers rest on."""
        words = f"{film_words(self.ap)}: {self.ap_scale.source}, {self.ap_scale.mm_per_px:.4f} mm per pixel at the hip"
        if self.lateral is not None and self.lateral_scale is not None:
            words += (
                f". {film_words(self.lateral)[:1].upper()}{film_words(self.lateral)[1:]}: {self.lateral_scale.source}, "
                f"{self.lateral_scale.mm_per_px:.4f} mm per pixel"
            )
        return words + "."


def scene_of(desk: Desk, hip_id: str, *, today: date) -> Scene:
    """The hip ready for planning.

    Raises
    ------
    TooFewError
        No AP film, or it is not read far enough; the message says what is wanted.
    CalibrationError
        The AP film has no scale, or its sources contradict.
    """
    limits = limits_in_force(desk)
    with desk.store.session() as session:
        state = gather(session, hip_id, limits, today)
        kept = facts_of(session, state.hip)
    if state.ap is None:
        raise TooFewError("No AP film shows this hip, so nothing can be planned. Bring one in.")
    if state.ap.id not in state.readings:
        raise TooFewError(f"The {film_words(state.ap)} is not read yet, so nothing can be planned. Read it first.")
    scales = film_scales(state.ap, limits)
    if scales.in_use is None:
        raise CalibrationError(
            f"The {film_words(state.ap)} has no scale to plan with. {scales.contradiction or scales.reason_for_none}"
        )
    lateral = state.lateral if state.lateral is not None and state.lateral.id in state.readings else None
    basis = _basis(state, kept, limits, lateral)
    made = desk.answers.get(("scene", basis), lambda: _make(state, kept, limits, lateral, scales, basis))
    # What was computed is of these inputs; what was merely looked up (the chosen level, plans) is of now.
    return replace(made, state=state, ap=state.ap, lateral=lateral)


def _basis(state: HipState, kept: Mapping[str, FactRow], limits: Limits, lateral: FilmRow | None) -> str:
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
        "films": [film(state.ap), film(lateral)],
        "facts": {key: row.seq for key, row in kept.items()},
        "limits": [[x.name, x.low, x.high, x.value, x.sd, x.status] for x in limits],
    }
    return hashlib.sha256(canonical(content).encode()).hexdigest()


def _make(
    state: HipState,
    kept: Mapping[str, FactRow],
    limits: Limits,
    lateral: FilmRow | None,
    scales: FilmScales,
    basis: str,
) -> Scene:
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
    measures = measures_of(state.ap, reading_state(state.readings[state.ap.id]), state.side, scales, n_draws=DRAWS)
    extent = lesion_extent(whole)
    signs = signs_of(state, reading, side_reading, measures, kept)
    facts = hip_facts(state.patient, kept, measures, state.today)
    return Scene(
        state=state,
        basis=basis,
        ap=state.ap,
        ap_scale=scales.in_use,
        lateral=lateral,
        lateral_scale=side_scale,
        reading=reading,
        measures=measures,
        extent=extent,
        hip=whole,
        prepared=prepare(whole),
        live=prepare(hip(LIVE)),
        signs=signs,
        facts=facts,
        limits=limits,
        targets=Targets(state.hip.target_leg_mm, state.hip.target_offset_mm),
    )


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
