"""Six invented patients that between them show what the tool is for.

In: the day of the demonstration. Out: six `PhantomCase`; their films and the CTs of two of them follow from the
same seeds every time. Nobody here is a real person; weights, causes and scores are
invented too.
"""

from datetime import date, timedelta
from pathlib import Path
from typing import Final

from headstock.anatomy.cautions import Fact, HipFacts
from headstock.frames import Side
from headstock.phantom.case import CaseFilm, PhantomCase, PhantomStudy, write_case
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.spec import Cyst, DeadSector, FilmSpec, HipSpec, PhantomSpec, PlateAndScrews

__all__ = ["DEMO_DAY", "demo_patients", "write_patient"]

DEMO_DAY: Final = date(2026, 11, 16)
_CLINIC: Final = "clinic visit (invented)"
_SCALES: Final = "scales at the visit (invented)"
_PATIENT: Final = "the patient (invented)"
_FORM: Final = "questionnaire (invented)"


def _ap(
    seed: int,
    *,
    body_mm: float,
    distance_mm: float = 1150.0,
    depth_mm: float = 175.0,
    ball_mm: float = 25.0,
    ball_off_mm: float = 0.0,
) -> FilmSpec:
    return FilmSpec(
        source_detector_mm=distance_mm,
        hip_to_detector_mm=depth_mm,
        ball_mm=ball_mm,
        ball_toward_source_mm=ball_off_mm,
        body_mm=body_mm,
        seed=seed,
    )


def _lateral(
    seed: int,
    *,
    body_mm: float,
    distance_mm: float = 1150.0,
    depth_mm: float = 190.0,
    ball_mm: float = 25.0,
    ball_off_mm: float = 0.0,
) -> FilmSpec:
    return FilmSpec(
        view="lateral_hip",
        rows=1000,
        columns=1000,
        source_detector_mm=distance_mm,
        hip_to_detector_mm=depth_mm,
        ball_mm=ball_mm,
        ball_toward_source_mm=ball_off_mm,
        body_mm=body_mm,
        seed=seed,
    )


def _facts(
    day: date, *, weight_kg: float, height_cm: float, cause: str, ucla: float, oxford: float, **claims: bool
) -> HipFacts:
    def fact(value: bool | float | str, source: str) -> Fact:
        return Fact(value, day, source)

    return HipFacts(
        weight_kg=fact(weight_kg, _SCALES),
        height_cm=fact(height_cm, _SCALES),
        cause=fact(cause, _CLINIC),
        activity_ucla=fact(ucla, _PATIENT),
        scores={"oxford_hip_0_48": fact(oxford, _FORM)},
        **{name: fact(value, _CLINIC) for name, value in claims.items()},
    )


def demo_patients(today: date = DEMO_DAY) -> tuple[PhantomCase, ...]:
    """The six demo patients, their last studies in the weeks before `today`."""

    def ago(days: int) -> date:
        return today - timedelta(days=days)

    normal = HipSpec(internal_rotation_deg=11.0)

    early = PhantomCase(
        number="DEMO-0001",
        name="Larkenmoor^Inessa",
        birth_date=date(1992, 5, 21),
        sex="F",
        scenario="An early lesion that should be preserved",
        story="A small dead sector, toward the middle of the head, found on the second hip film. Nothing has sunk.",
        facts=_facts(
            ago(9),
            weight_kg=63.0,
            height_cm=168.0,
            cause="osteonecrosis, corticosteroids",
            ucla=6.0,
            oxford=37.0,
            renal_disease=False,
            metal_allergy=False,
            pregnancy_wish=True,
            infection=False,
            previous_surgery=False,
        ),
        studies=(
            PhantomStudy(
                ago(9),
                PhantomSpec(
                    name="DEMO-0001",
                    shape_sd=(-0.9, 0.4, -0.3, 0.5, 0.2),
                    side=Side.RIGHT,
                    right=HipSpec(
                        internal_rotation_deg=12.0,
                        sector=DeadSector(half_angle_deg=31.0, depth_mm=10.5, anterior_deg=10.0, medial_deg=13.0),
                    ),
                    left=normal,
                    pelvis_tilt_deg=3.0,
                ),
                (
                    CaseFilm(_ap(11, body_mm=190.0, ball_off_mm=4.0)),
                    CaseFilm(_lateral(12, body_mm=190.0)),
                ),
            ),
        ),
    )

    def large(collapse_mm: float, crescent: bool) -> PhantomSpec:
        return PhantomSpec(
            name="DEMO-0002",
            shape_sd=(0.8, -0.5, 0.6, 0.1, -0.4, 0.3),
            side=Side.LEFT,
            right=normal,
            left=HipSpec(
                internal_rotation_deg=7.0,
                sector=DeadSector(
                    half_angle_deg=58.0,
                    depth_mm=21.0,
                    anterior_deg=8.0,
                    medial_deg=-2.0,
                    collapse_mm=collapse_mm,
                    crescent=crescent,
                ),
            ),
            pelvis_tilt_deg=4.0,
            pelvis_rotation_deg=2.5,
        )

    large_lesion = PhantomCase(
        number="DEMO-0002",
        name="Brackenstead^Torvald",
        birth_date=date(1984, 9, 2),
        sex="M",
        scenario="A large lesion that has sunk since last year",
        story="A year ago a line under the joint surface; now the surface has gone down by 3 mm.",
        facts=_facts(
            ago(6),
            weight_kg=91.0,
            height_cm=183.0,
            cause="osteonecrosis, alcohol",
            ucla=5.0,
            oxford=21.0,
            renal_disease=False,
            metal_allergy=False,
            infection=False,
            previous_surgery=False,
            consent=True,
        ),
        studies=(
            PhantomStudy(ago(398), large(0.0, True), (CaseFilm(_ap(21, body_mm=222.0, distance_mm=1200.0)),)),
            PhantomStudy(
                ago(6),
                large(3.0, False),
                (
                    CaseFilm(_ap(22, body_mm=225.0, distance_mm=1200.0, depth_mm=168.0, ball_off_mm=-8.0)),
                    CaseFilm(_lateral(23, body_mm=225.0, distance_mm=1200.0)),
                ),
                ScanSpec(body_mm=225.0, noise_HU=20.0, seed=24),
            ),
        ),
    )

    cyst = PhantomCase(
        number="DEMO-0003",
        name="Osterlund-Wray^Mirek",
        birth_date=date(1979, 1, 30),
        sex="M",
        scenario="A cyst under the dome",
        story="A worn but still round joint with a cyst in the loaded part of the head, and a small one beside it.",
        facts=_facts(
            ago(12),
            weight_kg=84.0,
            height_cm=178.0,
            cause="osteoarthritis",
            ucla=8.0,
            oxford=24.0,
            renal_disease=False,
            metal_allergy=False,
            infection=False,
            previous_surgery=False,
            consent=True,
        ),
        studies=(
            PhantomStudy(
                ago(12),
                PhantomSpec(
                    name="DEMO-0003",
                    shape_sd=(0.3, 0.6, -0.7, -0.2, 0.4),
                    side=Side.RIGHT,
                    right=HipSpec(
                        internal_rotation_deg=9.0,
                        joint_space_mm=2.4,
                        cysts=(
                            Cyst(diameter_mm=13.0, cover_mm=3.0, anterior_deg=12.0, medial_deg=-6.0),
                            Cyst(diameter_mm=6.0, cover_mm=3.5, anterior_deg=5.0, medial_deg=24.0, rim_mm=0.8),
                        ),
                    ),
                    left=HipSpec(internal_rotation_deg=10.0, joint_space_mm=2.9),
                    pelvis_tilt_deg=1.0,
                    pelvis_obliquity_deg=-1.0,
                ),
                (
                    CaseFilm(_ap(31, body_mm=212.0, ball_mm=30.0, ball_off_mm=10.0), "MONOCHROME1"),
                    CaseFilm(_lateral(32, body_mm=212.0, ball_mm=30.0)),
                ),
                ScanSpec(body_mm=212.0, noise_HU=16.0, seed=34),
            ),
        ),
    )

    growth = PhantomCase(
        number="DEMO-0004",
        name="Fenhollow^Sanne",
        birth_date=date(1995, 12, 11),
        sex="F",
        scenario="A growth deformity with unequal legs",
        story="After a childhood disease the left neck stayed short and low, the head broad, the trochanter high.",
        facts=_facts(
            ago(15),
            weight_kg=58.0,
            height_cm=161.0,
            cause="childhood growth disturbance",
            ucla=5.0,
            oxford=27.0,
            renal_disease=False,
            metal_allergy=False,
            pregnancy_wish=False,
            infection=False,
            previous_surgery=False,
        ),
        studies=(
            PhantomStudy(
                ago(15),
                PhantomSpec(
                    name="DEMO-0004",
                    shape_sd=(-1.1, -0.3, 0.5, 0.6, 0.1),
                    side=Side.LEFT,
                    right=normal,
                    left=HipSpec(
                        femur_scale=0.95,
                        head_scale=1.09,
                        neck_shortening_mm=8.0,
                        varus_deg=9.0,
                        trochanter_rise_mm=10.0,
                        internal_rotation_deg=8.0,
                        joint_space_mm=2.8,
                    ),
                    pelvis_tilt_deg=5.0,
                    pelvis_obliquity_deg=-2.5,
                ),
                (
                    CaseFilm(_ap(41, body_mm=185.0, distance_mm=1100.0, depth_mm=160.0, ball_off_mm=-5.0)),
                    CaseFilm(_lateral(42, body_mm=185.0, distance_mm=1100.0)),
                ),
            ),
        ),
    )

    earlier = PhantomCase(
        number="DEMO-0005",
        name="Quillard-Beyne^Odo",
        birth_date=date(1988, 3, 4),
        sex="M",
        scenario="An earlier operation",
        story="Neck fracture fixed with screws and a plate six years ago; it healed, then part of the head died.",
        facts=_facts(
            ago(8),
            weight_kg=77.0,
            height_cm=176.0,
            cause="osteonecrosis after a neck fracture",
            ucla=4.0,
            oxford=18.0,
            renal_disease=False,
            metal_allergy=False,
            infection=False,
            previous_surgery=True,
            consent=False,
        ),
        studies=(
            PhantomStudy(
                ago(8),
                PhantomSpec(
                    name="DEMO-0005",
                    shape_sd=(0.4, 0.9, 0.2, -0.5, 0.3),
                    side=Side.RIGHT,
                    right=HipSpec(
                        internal_rotation_deg=6.0,
                        neck_shortening_mm=4.0,
                        sector=DeadSector(
                            half_angle_deg=46.0, depth_mm=15.0, anterior_deg=10.0, medial_deg=2.0, collapse_mm=1.5
                        ),
                        metal=PlateAndScrews(neck_screws=2, screw_mm=6.5, plate_mm=78.0, shaft_screws=3),
                    ),
                    left=normal,
                    pelvis_tilt_deg=2.0,
                    pelvis_rotation_deg=-1.5,
                ),
                (
                    CaseFilm(_ap(51, body_mm=205.0, ball_off_mm=6.0)),
                    CaseFilm(_lateral(52, body_mm=205.0)),
                ),
            ),
        ),
    )

    leave_alone = PhantomCase(
        number="DEMO-0006",
        name="Sandermere^Ruthie",
        birth_date=date(1998, 7, 17),
        sex="F",
        scenario="A hip that should not be operated on",
        story="Groin pain with a nearly normal hip; an untreated infection, and the back explains most of the pain.",
        facts=_facts(
            ago(5),
            weight_kg=70.0,
            height_cm=172.0,
            cause="pain, cause not in the hip",
            ucla=7.0,
            oxford=33.0,
            renal_disease=False,
            metal_allergy=False,
            pregnancy_wish=True,
            infection=True,
            previous_surgery=False,
        ),
        studies=(
            PhantomStudy(
                ago(5),
                PhantomSpec(
                    name="DEMO-0006",
                    shape_sd=(-0.4, -0.8, -0.2, 0.3, -0.6),
                    side=Side.LEFT,
                    right=normal,
                    left=HipSpec(internal_rotation_deg=12.0),
                    pelvis_tilt_deg=6.0,
                ),
                (
                    CaseFilm(_ap(61, body_mm=198.0, ball_off_mm=-3.0)),
                    CaseFilm(_lateral(62, body_mm=198.0)),
                ),
            ),
        ),
    )
    return (early, large_lesion, cyst, growth, earlier, leave_alone)


def write_patient(patient: PhantomCase, folder: Path) -> tuple[Path, ...]:
    """Write one demo patient's films with truth and facts below `folder`; returns the films."""
    return write_case(patient, folder)
