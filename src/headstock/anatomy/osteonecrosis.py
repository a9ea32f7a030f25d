"""Osteonecrosis: signs as seen, the stage each published system gives them, and what became of such hips.

In: raw signs, arcs in degrees, shares. Out: stages, classes and counts, each with source
and status. Signs are stored, stages derived: systems and their readers disagree about single
signs (the crescent in Ficat), and a stored stage could not be re-read.
How large a lesion is on two films: headstock.anatomy.lesion.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Final, Literal

from headstock.anatomy.bands import BANDS, Placed, band, place, table_file
from headstock.errors import TooFewError
from headstock.measured import Measured

__all__ = [
    "History",
    "JicType",
    "Modality",
    "RawSigns",
    "Stage",
    "UsualCourse",
    "arco_2019",
    "arco_2019_stage",
    "collapse_history",
    "collapse_percent",
    "combined_angle_classes",
    "ficat",
    "history_counts",
    "jic_collapse_percent",
    "jic_history",
    "jic_type",
    "kerboul_mri_grade",
    "kerboul_mri_risk",
    "kerboul_radiograph",
    "koo_kim_index",
    "stages",
    "steinberg",
    "steinberg_depression",
    "steinberg_extent",
    "type_from_film",
    "type_of_signs",
    "usual_course",
]

Modality = Literal["film", "mri"]


@dataclass(frozen=True, slots=True)
class RawSigns:
    """What was seen, each None when nobody looked or said; see `headstock.anatomy.SIGNS`."""

    pain: bool | None = None
    film_abnormal: bool | None = None
    mri_or_scan_positive: bool | None = None
    sclerosis_or_cysts: bool | None = None
    crescent: bool | None = None
    flattening: bool | None = None
    contour_broken: bool | None = None
    depression_mm: float | None = None
    joint_space_narrowed: bool | None = None
    osteoarthritis: bool | None = None
    advanced_degeneration: bool | None = None
    percent_head: float | None = None
    percent_surface_under_crescent: float | None = None
    percent_surface_collapsed: float | None = None
    weight_bearing_share: float | None = None
    past_acetabular_edge: bool | None = None
    modality: Modality | None = None

    @classmethod
    def of(cls, signs: Mapping[str, Any]) -> "RawSigns":
        """The signs of a reading."""
        known = {f.name for f in fields(cls)}
        unknown = set(signs) - known
        if unknown:
            raise TooFewError(
                f"No sign is called {', '.join(sorted(unknown))}. The signs are {', '.join(sorted(known))}."
            )
        return cls(**dict(signs))

    @property
    def film_shows_something(self) -> bool | None:
        """Any change on the film, as said or as it follows from another sign."""
        if self.sclerosis_or_cysts or self.fracture or self.sunk or self.joint_space_narrowed or self.osteoarthritis:
            return True
        return self.film_abnormal

    @property
    def fracture(self) -> bool | None:
        """A fracture below the surface, seen itself or by the flattening it led to."""
        return True if self.crescent or self.sunk else self.crescent

    @property
    def sunk(self) -> bool | None:
        """The surface is flattened or depressed."""
        if self.flattening or self.contour_broken or (self.depression_mm or 0.0) > 0:
            return True
        if self.flattening is False or self.depression_mm == 0:
            return False
        return None


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage in one published system, with the reason in words; `stage` is None when a sign is missing."""

    system: str
    stage: str | None
    extent: str | None
    why: str
    lacks: tuple[str, ...]
    source: str
    status: str

    @property
    def words(self) -> str:
        """Stage and extent as one word; the reason when there is none."""
        return self.why if self.stage is None else f"{self.stage}{self.extent or ''}"


_ARCO_SOURCE: Final = "Yoon et al., J Arthroplasty 2020;35:933 (ARCO 2019)"
_STEINBERG_SOURCE: Final = "Steinberg et al., J Bone Joint Surg Br 1995;77:34"
_FICAT_SOURCE: Final = "Ficat, J Bone Joint Surg Br 1985;67:3"


def _unknown(system: str, source: str, *lacks: str) -> Stage:
    words = ", ".join(name.replace("_", " ") for name in lacks)
    return Stage(system, None, None, f"Not known: nobody said whether {words}.", lacks, source, "published")


def arco_2019(signs: RawSigns) -> Stage:
    """ARCO 2019: I only MRI positive; II film abnormal, no fracture; IIIA up to 2 mm, IIIB above; IV arthritis."""

    def stage(name: str | None, why: str, *lacks: str) -> Stage:
        return Stage("ARCO 2019", name, None, why, lacks, _ARCO_SOURCE, "published")

    if signs.osteoarthritis or signs.advanced_degeneration:
        return stage("IV", "Osteoarthritis.")
    if signs.fracture:
        if signs.depression_mm is None:
            return stage(
                "III", "A fracture below the surface; IIIA or IIIB needs the depression in mm.", "depression_mm"
            )
        name = band("arco_depression", signs.depression_mm)
        return stage(
            name,
            f"A fracture below the surface, depression {signs.depression_mm:g} mm.",
        )
    shows = signs.film_shows_something
    if shows is None:
        return _unknown("ARCO 2019", _ARCO_SOURCE, "film_abnormal")
    if shows:
        if signs.fracture is None:
            return _unknown("ARCO 2019", _ARCO_SOURCE, "crescent")
        return stage("II", "The film is abnormal, no fracture, no flattening.")
    if signs.mri_or_scan_positive is None:
        return _unknown("ARCO 2019", _ARCO_SOURCE, "mri_or_scan_positive")
    if signs.mri_or_scan_positive:
        return stage("I", "The film is normal, MRI or scan is positive.")
    return stage("none", "Film and MRI or scan are normal: no osteonecrosis in this system.")


def arco_2019_stage(
    fracture: bool,
    osteoarthritis: bool,
    depression_mm: float = 0.0,
    film_abnormal: bool = True,
    mri_or_scan_positive: bool = True,
) -> str:
    """The ARCO 2019 stage from its own signs."""
    found = arco_2019(
        RawSigns(
            crescent=fracture,
            osteoarthritis=osteoarthritis,
            depression_mm=depression_mm,
            film_abnormal=film_abnormal,
            mri_or_scan_positive=mri_or_scan_positive,
        )
    )
    return found.words


def steinberg_extent(percent_head: float) -> str:
    """A below 15 %, B 15 to 30 %, C above 30 %."""
    return band("steinberg_extent", percent_head)


def steinberg_depression(depression_mm: float, percent_collapsed: float | None = None) -> str:
    """Extent of stage IV: by depth (A below 2, B 2 to 4, C above 4 mm) or by share collapsed, whichever is worse."""
    by_depth = band("steinberg_depression", depression_mm)
    return by_depth if percent_collapsed is None else max(by_depth, steinberg_extent(percent_collapsed))


def steinberg(signs: RawSigns) -> Stage:
    """Steinberg 0 to VI with its extent A, B or C."""

    def stage(name: str, why: str, extent: str | None = None, *lacks: str) -> Stage:
        return Stage("Steinberg", name, extent, why, lacks, _STEINBERG_SOURCE, "published")

    def by(percent: float | None, name: str) -> tuple[str | None, tuple[str, ...]]:
        return (None, (name,)) if percent is None else (steinberg_extent(percent), ())

    if signs.advanced_degeneration:
        return stage("VI", "Advanced degeneration.")
    if signs.osteoarthritis or signs.joint_space_narrowed:
        return stage("V", "Narrowed joint space or change of the socket.")
    if signs.sunk:
        share = signs.percent_surface_collapsed
        if signs.depression_mm is not None and signs.depression_mm > 0:
            return stage("IV", "Flattening.", steinberg_depression(signs.depression_mm, share))
        extent, lacks = by(share, "depression_mm")
        return stage("IV", "Flattening.", extent, *lacks)
    if signs.crescent:
        extent, lacks = by(signs.percent_surface_under_crescent, "percent_surface_under_crescent")
        return stage("III", "A crescent without flattening.", extent, *lacks)
    shows = signs.film_shows_something
    if shows is None:
        return _unknown("Steinberg", _STEINBERG_SOURCE, "film_abnormal")
    if shows:
        if signs.crescent is None:
            return _unknown("Steinberg", _STEINBERG_SOURCE, "crescent")
        extent, lacks = by(signs.percent_head, "percent_head")
        return stage("II", "Cysts or sclerosis on the film.", extent, *lacks)
    if signs.mri_or_scan_positive is None:
        return _unknown("Steinberg", _STEINBERG_SOURCE, "mri_or_scan_positive")
    if signs.mri_or_scan_positive:
        extent, lacks = by(signs.percent_head, "percent_head")
        return stage("I", "The film is normal, MRI or scan is abnormal.", extent, *lacks)
    return stage("0", "Film, MRI and scan are normal.")


_CRESCENT_NOTE: Final = "Teaching pages put the crescent into IIb, transition or III: the raw sign is kept."


def ficat(signs: RawSigns) -> Stage:
    """Ficat and Arlet 0 to IV; crescent and segmental flattening are given as the transition between II and III.

    Collapse against mere segmental flattening: a broken contour, or a depression above 2 mm (our reading; Ficat gives
    no number).
    """

    def stage(name: str, why: str) -> Stage:
        return Stage("Ficat and Arlet", name, None, why, (), _FICAT_SOURCE, "published")

    if signs.osteoarthritis or signs.advanced_degeneration or signs.joint_space_narrowed:
        return stage("IV", "Cartilage lost, osteophytes of the socket.")
    if signs.contour_broken or (signs.depression_mm or 0.0) > BANDS["arco_depression"].bands[0].up_to:  # type: ignore[operator]
        return stage("III", "The contour is broken, the joint space kept.")
    if signs.fracture:
        return stage("transition", f"Crescent or segmental flattening. {_CRESCENT_NOTE}")
    shows = signs.film_shows_something
    if shows is None:
        return _unknown("Ficat and Arlet", _FICAT_SOURCE, "film_abnormal")
    if shows and signs.sclerosis_or_cysts is not False:
        if signs.crescent is None:
            return _unknown("Ficat and Arlet", _FICAT_SOURCE, "crescent")
        if signs.sclerosis_or_cysts:
            return stage("II", "Sclerosis or cysts, no fracture.")
        return _unknown("Ficat and Arlet", _FICAT_SOURCE, "sclerosis_or_cysts")
    if signs.pain is None:
        return _unknown("Ficat and Arlet", _FICAT_SOURCE, "pain")
    if signs.pain:
        return stage("I", "Pain, film normal or minimally changed.")
    return stage("0", "Silent hip, normal film.")


def stages(signs: RawSigns) -> tuple[Stage, ...]:
    """The stage in every system."""
    return (arco_2019(signs), steinberg(signs), ficat(signs))


def kerboul_radiograph(combined_radiograph_angle_deg: float) -> str:
    """Small, medium or large by the combined angle on two films (Kerboul 1974)."""
    return band("kerboul_radiograph", combined_radiograph_angle_deg)


def kerboul_mri_risk(combined_mri_angle_deg: float) -> str:
    """Low, moderate or high by the combined angle on two MRI cuts (Ha 2006)."""
    return band("kerboul_mri_risk", combined_mri_angle_deg)


def kerboul_mri_grade(combined_mri_angle_deg: float) -> str:
    """Grade 1 to 4 by the combined angle on two MRI cuts (Ha 2006)."""
    return band("kerboul_mri_grade", combined_mri_angle_deg)


def koo_kim_index(coronal_arc_deg: float, sagittal_arc_deg: float) -> float:
    """Index of necrotic extent, (A / 180)(B / 180) 100, from the necrotic arcs on two MRI cuts (Koo and Kim 1995)."""
    for arc in (coronal_arc_deg, sagittal_arc_deg):
        if not 0.0 <= arc <= 360.0:
            raise TooFewError(f"A necrotic arc of {arc} deg cannot be. It lies between 0 and 360.")
    return coronal_arc_deg / 180.0 * sagittal_arc_deg / 180.0 * 100.0


def combined_angle_classes(combined_angle: Measured, modality: Modality) -> tuple[Placed, ...]:
    """The classes of a combined angle: the film's bands for two films, the MRI's risk and grade for two MRI cuts.

    Empty when the angle is missing. The two versions measure different cuts: their bands are never mixed.
    """
    systems = ("kerboul_radiograph",) if modality == "film" else ("kerboul_mri_risk", "kerboul_mri_grade")
    return tuple(placed for system in systems if (placed := place(system, combined_angle)) is not None)


@dataclass(frozen=True, slots=True)
class JicType:
    """Type by weight-bearing share, with where it was read: film and MRI differ in 28 of 188 hips."""

    type: str
    modality: Modality | None
    source: str
    status: str

    @property
    def words(self) -> str:
        """With the modality, so that nobody compares across."""
        return f"{self.type} ({'film or MRI not said' if self.modality is None else f'read on {self.modality}'})"


def jic_type(weight_bearing_share: float, past_acetabular_edge: bool) -> str:
    """Type A, B, C1 or C2 (Japanese Investigation Committee, J Orthop Sci 2002;7:601).

    A lesion past the outer edge of the socket is C2 whatever share is typed: it has the
    lateral end of the weight-bearing portion in it.
    """
    if not weight_bearing_share >= 0.0:
        raise TooFewError(f"A share of {weight_bearing_share} cannot be. Give it between 0 and 1.")
    if past_acetabular_edge:
        return "C2"
    name = band("jic_share", weight_bearing_share)
    return "C1" if name == "C" else name


def type_of_signs(signs: RawSigns) -> JicType | None:
    """The type with its modality, or None when share or edge was not said."""
    if signs.weight_bearing_share is None or signs.past_acetabular_edge is None:
        return None
    table = BANDS["jic_share"]
    name = jic_type(signs.weight_bearing_share, signs.past_acetabular_edge)
    return JicType(name, signs.modality, table.source, table.status)


def type_from_film(weight_bearing_share: Measured) -> tuple[JicType, tuple[str, ...]] | None:
    """The type of a measured share on a film, and the other types its interval reaches; None when it is missing.

    A share above 1 runs past the outer edge of the socket.
    """
    if weight_bearing_share.value is None:
        return None
    order = ("A", "B", "C1", "C2")

    def of(share: float) -> str:
        return jic_type(max(share, 0.0), share > 1.0)

    value = weight_bearing_share.value
    low = value if weight_bearing_share.low is None else weight_bearing_share.low
    high = value if weight_bearing_share.high is None else weight_bearing_share.high
    table = BANDS["jic_share"]
    name = of(value)
    reached = order[order.index(of(low)) : order.index(of(high)) + 1]
    return JicType(name, "film", table.source, table.status), tuple(t for t in reached if t != name)


@dataclass(frozen=True, slots=True)
class History:
    """What became of hips of one class: counts where the source gives them, else a percentage at a time."""

    system: str
    band: str
    collapsed: int | None
    hips: int | None
    percent: float
    years: float | None
    cohort: str
    cohort_says: str
    source: str
    status: str

    @property
    def words(self) -> str:
        """Counts first; the cohort behind them."""
        when = "" if self.years is None else f" within {self.years:g} years"
        counted = f"{self.collapsed} of {self.hips} hips" if self.hips is not None else f"{self.percent:g} %"
        return f"{counted} collapsed{when} ({self.source}; {self.cohort_says})"


_TABLES: Final = table_file("collapse_history")


def collapse_history(system: str, band_name: str) -> tuple[History, ...]:
    """What became of hips of a class; empty when the table holds none.

    Entries with one `cohort` are the same hips reported twice: never add them up.
    """
    return tuple(
        History(
            row["system"],
            row["band"],
            row["collapsed"],
            row["hips"],
            collapse_percent(row["collapsed"], row["hips"]),
            row.get("years"),
            row["cohort"],
            _TABLES["cohort"][row["cohort"]]["says"],
            row["source"],
            row["status"],
        )
        for row in _TABLES["history"]
        if row["system"] == system and row["band"] == band_name
    )


def history_counts(band: str) -> str:
    """“collapsed/hips” of a class of the combined MRI angle: low, moderate, high, or a grade 1 to 4."""
    name = str(band).strip().lower().removeprefix("grade").strip()
    for system in ("kerboul_mri_risk", "kerboul_mri_grade"):
        found = collapse_history(system, name)
        if found:
            return f"{found[0].collapsed}/{found[0].hips}"
    raise TooFewError(f"No class is called {band!r}. They are low, moderate, high and the grades 1 to 4.")


def collapse_percent(collapsed: int, hips: int) -> float:
    """Share collapsed, percent."""
    if hips <= 0 or not 0 <= collapsed <= hips:
        raise TooFewError(f"{collapsed} of {hips} hips is no share. The collapsed lie between zero and all.")
    return 100.0 * collapsed / hips


def jic_history(type: str) -> tuple[History, ...]:
    """Collapse of a type in every published series, by years."""
    return tuple(
        History(
            "jic", type, None, None, row["percent"][type], row["years"], row["cohort"],
            _TABLES["cohort"][row["cohort"]]["says"], row["source"], row["status"],
        )
        for row in _TABLES["jic"]
        if type in row["percent"]
    )  # fmt: skip


def jic_collapse_percent(type: str, years: float, precollapse: bool = True) -> float:
    """Published share collapsed of a type after so many years, percent.

    Raises
    ------
    TooFewError
        The hip had collapsed already, or no series gives that type at that time.
    """
    if not precollapse:
        raise TooFewError("The published shares are of hips not yet collapsed; this one had collapsed already.")
    found = [h.percent for h in jic_history(type) if h.years == years]
    if not found:
        times = sorted({row["years"] for row in _TABLES["jic"]})
        raise TooFewError(
            f"No series gives type {type!r} at {years:g} years; types A, B, C1, C2 at {times} years are published."
        )
    return found[0]


@dataclass(frozen=True, slots=True)
class UsualCourse:
    """What is usual for a state of the head; `preserves_head` when joint-preserving surgery is."""

    state: str
    says: str
    preserves_head: bool
    source: str
    status: str


def usual_course(signs: RawSigns, combined_angle: Measured | None = None) -> UsualCourse | None:
    """What is usual at this state, or None when the signs do not tell.

    Parameters
    ----------
    combined_angle
        On two films; a lesion counts as large when the nominal angle is of class large.
    """
    state = _state(signs, None if combined_angle is None else place("kerboul_radiograph", combined_angle))
    for row in _TABLES["usual_course"]:
        if row["state"] == state:
            return UsualCourse(row["state"], row["says"], row["preserves_head"], row["source"], row["status"])
    return None


def _state(signs: RawSigns, size: Placed | None) -> str | None:
    arco = arco_2019(signs)
    if arco.stage == "IV":
        return "osteoarthritis"
    if arco.stage == "IIIB":
        return "depression_above_2_mm"
    if arco.stage == "IIIA":
        return "depression_up_to_2_mm"
    if arco.stage in ("I", "II"):
        jic = type_of_signs(signs)
        large = (size is not None and size.name == "large") or (jic is not None and jic.type == "C2")
        return "before_collapse_large" if large else "before_collapse_small_or_medium"
    return None
