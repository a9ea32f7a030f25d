"""Stages from signs as seen, and the extent of a lesion on two films."""

import dataclasses

import numpy as np
import pytest

from headstock.anatomy import FilmHip, film_hip
from headstock.anatomy.lesion import EXTENT_FORMULAS, lesion_extent, necrotic_arc_deg
from headstock.anatomy.osteonecrosis import (
    RawSigns,
    arco_2019,
    combined_angle_classes,
    ficat,
    jic_history,
    stages,
    steinberg,
    type_from_film,
    type_of_signs,
    usual_course,
)
from headstock.errors import TooFewError
from headstock.measured import Measured

from .hips import PlainScale, drawn_pelvis
from .test_measures import lateral

SCALE = PlainScale(0.2, 0.003)
NORMAL = RawSigns(
    pain=False,
    film_abnormal=False,
    mri_or_scan_positive=False,
    sclerosis_or_cysts=False,
    crescent=False,
    flattening=False,
)


def signs(**changes: object) -> RawSigns:
    return dataclasses.replace(NORMAL, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("seen", "arco", "stein", "fic"),
    [
        (signs(), "none", "0", "0"),
        (signs(mri_or_scan_positive=True), "I", "I", "0"),
        (signs(mri_or_scan_positive=True, pain=True, percent_head=10.0), "I", "IA", "I"),
        (signs(film_abnormal=True, sclerosis_or_cysts=True, percent_head=20.0), "II", "IIB", "II"),
        (
            signs(film_abnormal=True, crescent=True, depression_mm=0.0, percent_surface_under_crescent=35.0),
            "IIIA",
            "IIIC",
            "transition",
        ),
        (signs(flattening=True, depression_mm=2.0, crescent=True), "IIIA", "IVB", "transition"),
        (signs(flattening=True, depression_mm=2.1), "IIIB", "IVB", "III"),
        (signs(flattening=True, depression_mm=1.0, percent_surface_collapsed=40.0), "IIIA", "IVC", "transition"),
        (signs(contour_broken=True, depression_mm=5.0), "IIIB", "IVC", "III"),
        (signs(flattening=True, depression_mm=3.0, joint_space_narrowed=True), "IIIB", "V", "IV"),
        (signs(osteoarthritis=True), "IV", "V", "IV"),
        (signs(osteoarthritis=True, advanced_degeneration=True), "IV", "VI", "IV"),
    ],
)
def test_one_set_of_signs_gives_a_stage_in_every_system(seen: RawSigns, arco: str, stein: str, fic: str) -> None:
    # ARCO 2019: Yoon et al. 2020. Steinberg et al. 1995. Ficat 1985.
    assert [s.words for s in stages(seen)] == [arco, stein, fic]


def test_a_sign_nobody_looked_for_is_asked_for_and_not_guessed() -> None:
    nothing = stages(RawSigns())
    assert all(s.stage is None for s in nothing)
    assert arco_2019(RawSigns()).lacks == ("film_abnormal",)
    assert "nobody said whether crescent" in arco_2019(RawSigns(sclerosis_or_cysts=True)).why
    assert steinberg(RawSigns(film_abnormal=False)).lacks == ("mri_or_scan_positive",)
    assert ficat(RawSigns(film_abnormal=False)).lacks == ("pain",)
    crescent = arco_2019(RawSigns(crescent=True))
    assert crescent.stage == "III"
    assert crescent.lacks == ("depression_mm",)
    assert steinberg(RawSigns(crescent=True)).lacks == ("percent_surface_under_crescent",)


def test_the_crescent_in_ficat_says_that_its_readers_disagree() -> None:
    assert "Teaching pages" in ficat(signs(film_abnormal=True, crescent=True)).why


def test_signs_come_from_a_reading_and_unknown_ones_are_refused() -> None:
    assert RawSigns.of({"crescent": True, "depression_mm": 1}).depression_mm == 1
    with pytest.raises(TooFewError, match="No sign is called"):
        RawSigns.of({"collapse": True})


def test_the_type_keeps_where_it_was_read() -> None:
    on_film = type_of_signs(RawSigns(weight_bearing_share=0.5, past_acetabular_edge=False, modality="film"))
    assert on_film is not None
    assert on_film.words == "B (read on film)"
    assert type_of_signs(RawSigns(weight_bearing_share=0.5)) is None
    said = [h.words for h in jic_history("C1")]
    assert any(w.startswith("36.6 % collapsed within 5 years (Kuroda") for w in said)


def test_a_measured_share_gives_a_type_and_the_types_its_interval_reaches() -> None:
    found = type_from_film(Measured(0.8, "1", "test", 0.6, 1.1))
    assert found is not None
    assert found[0].words == "C1 (read on film)"
    assert found[1] == ("B", "C2")
    past = type_from_film(Measured(1.2, "1", "test", 1.1, 1.3))
    assert past is not None
    assert (past[0].type, past[1]) == ("C2", ())
    assert type_from_film(Measured(None, "1", "t", kind="missing", reason="x")) is None


@pytest.mark.parametrize(
    ("seen", "angle", "state", "preserves"),
    [
        (signs(mri_or_scan_positive=True), 150.0, "before_collapse_small_or_medium", True),
        (signs(mri_or_scan_positive=True), 220.0, "before_collapse_large", True),
        (
            signs(mri_or_scan_positive=True, weight_bearing_share=0.9, past_acetabular_edge=True),
            None,
            "before_collapse_large",
            True,
        ),
        (signs(crescent=True, depression_mm=2.0), 220.0, "depression_up_to_2_mm", True),
        (signs(crescent=True, depression_mm=2.5), 150.0, "depression_above_2_mm", False),
        (signs(osteoarthritis=True), None, "osteoarthritis", False),
    ],
)
def test_what_is_usual_follows_the_stage(seen: RawSigns, angle: float | None, state: str, preserves: bool) -> None:
    # Zhang, Chin Med J 2018; the last row common practice.
    measure = None if angle is None else Measured(angle, "deg", "test", angle - 5, angle + 5)
    course = usual_course(seen, measure)
    assert course is not None
    assert (course.state, course.preserves_head) == (state, preserves)
    assert course.source
    assert "recommend" not in course.says


def test_nothing_is_usual_for_a_hip_without_signs() -> None:
    assert usual_course(RawSigns()) is None
    assert usual_course(signs()) is None


def test_film_and_mri_angles_are_classed_by_their_own_bands() -> None:
    angle = Measured(210.0, "deg", "test", 205.0, 230.0)
    assert [(p.table.name, p.name) for p in combined_angle_classes(angle, "film")] == [("kerboul_radiograph", "large")]
    assert [(p.table.name, p.name) for p in combined_angle_classes(angle, "mri")] == [
        ("kerboul_mri_risk", "moderate"),
        ("kerboul_mri_grade", "2"),
    ]
    assert combined_angle_classes(Measured(None, "deg", "t", kind="missing", reason="x"), "film") == ()


def ball(centre: tuple[float, float], radius: float, n: int = 120) -> np.ndarray:
    a = np.linspace(0.0, 2 * np.pi, n, endpoint=False)
    return np.array(centre) + radius * np.stack([np.cos(a), np.sin(a)], axis=1)


def hip_with(ap: list[np.ndarray], side: list[np.ndarray], seed: int = 1) -> FilmHip:
    """The drawn hip with lesions given in each view's film mm."""
    plain, lat = drawn_pelvis(), lateral()
    bare = film_hip(plain, SCALE, lat, SCALE)
    assert bare.ap.axes is not None
    assert bare.lateral is not None
    assert bare.lateral.axes is not None
    names = ["right.lesion", "right.lesion_2", "right.lesion_3"]
    ap_lines = {n: bare.ap.axes.to_px(p) for n, p in zip(names, ap, strict=False)}
    side_lines = {n: bare.lateral.axes.to_px(p) for n, p in zip(names, side, strict=False)}
    return film_hip(
        dataclasses.replace(plain, outlines=ap_lines),
        SCALE,
        dataclasses.replace(lat, outlines=side_lines),
        SCALE,
        seed=seed,
    )


NECK = np.array([np.sin(np.radians(50)), np.cos(np.radians(50))])


def test_a_ball_of_dead_bone_has_the_arc_index_and_share_of_geometry() -> None:
    # Tangents from the centre to a ball of radius r at distance d enclose 2 asin(r/d); its share is (r/R)³.
    distance, radius = 14.0, 9.0
    hip = hip_with([ball(tuple(distance * NECK), radius)], [ball((distance, 0.0), radius)])
    found = lesion_extent(hip)
    arc = 2 * np.degrees(np.arcsin(radius / distance))
    assert found["necrotic_arc_ap_deg"].number == pytest.approx(arc, abs=1.0)
    assert found["necrotic_arc_lateral_deg"].number == pytest.approx(arc, abs=1.0)
    assert found["combined_necrotic_angle_deg"].number == pytest.approx(2 * arc, abs=2.0)
    assert found["necrotic_index_percent"].number == pytest.approx((arc / 180) ** 2 * 100, abs=0.7)
    assert found["lesion_share_of_head_percent"].number == pytest.approx(100 * (radius / 24.0) ** 3, rel=0.03)
    assert found["lesion_area_ap_percent"].number == pytest.approx(100 * (radius / 24.0) ** 2, rel=0.02)
    for value in found.values():
        if value.known:
            assert value.low is not None
            assert value.high is not None
            assert value.low < value.number < value.high


def sector(start: float, end: float, inner: float, outer: float = 24.0) -> np.ndarray:
    a = np.radians(np.linspace(start, end, 60))
    rim = outer * np.stack([np.cos(a), np.sin(a)], axis=1)
    return np.concatenate([rim, inner * np.stack([np.cos(a[::-1]), np.sin(a[::-1])], axis=1)])


def test_a_wedge_at_the_surface_has_the_angle_it_was_drawn_with_whatever_its_depth() -> None:
    for inner in (4.0, 12.0, 20.0):
        view = hip_with([sector(40.0, 130.0, inner)], []).ap
        assert necrotic_arc_deg(view)[0] == pytest.approx(90.0, abs=2.5)


def test_a_lesion_that_holds_the_centre_is_read_at_the_surface() -> None:
    wedge = np.concatenate([sector(0.0, 200.0, 23.9)[:60], [(3.0, -8.0)]])
    view = hip_with([wedge], []).ap
    assert necrotic_arc_deg(view)[0] == pytest.approx(200.0, abs=15.0)
    with pytest.raises(TooFewError, match="nowhere reaches the joint surface"):
        necrotic_arc_deg(hip_with([ball((0.0, 0.0), 6.0)], []).ap)


def test_two_lesions_add_their_arcs_and_an_overlap_counts_once() -> None:
    apart = hip_with([sector(20.0, 60.0, 15.0), sector(90.0, 140.0, 15.0)], []).ap
    assert necrotic_arc_deg(apart)[0] == pytest.approx(90.0, abs=3.0)
    over = hip_with([sector(20.0, 80.0, 15.0), sector(60.0, 140.0, 15.0)], []).ap
    assert necrotic_arc_deg(over)[0] == pytest.approx(120.0, abs=3.0)


def test_a_slice_across_the_neck_axis_has_the_volume_of_a_spherical_cap() -> None:
    # Cap of height h on a ball of radius R: pi h² (3 R - h) / 3; share h² (3 R - h) / (4 R³).
    height = 14.0
    beta = np.degrees(np.arccos((24.0 - height) / 24.0))
    a = np.radians(np.linspace(-beta, beta, 80))
    cap = 24.0 * np.stack([np.cos(a), np.sin(a)], axis=1)  # about +u of the lateral frame
    turn = np.array([[NECK[0], -NECK[1]], [NECK[1], NECK[0]]])
    found = lesion_extent(hip_with([cap @ turn.T], [cap]))
    want = 100 * height**2 * (3 * 24.0 - height) / (4 * 24.0**3)
    assert found["lesion_share_of_head_percent"].number == pytest.approx(want, rel=0.04)


def test_how_far_a_lesion_reaches_across_the_weight_bearing_portion() -> None:
    from .hips import DRAWN_MM

    teardrop, edge = np.array(DRAWN_MM["teardrop"]), np.array(DRAWN_MM["sourcil_lateral"])
    middle, half = 0.5 * (teardrop + edge), 0.5 * np.linalg.norm(edge - teardrop)
    outward = (edge - teardrop) / (2 * half)
    for share in (0.25, 0.6, 1.2):
        spot = ball(tuple(middle + outward * (share * half - 3.0)), 3.0)
        found = lesion_extent(hip_with([spot], []))
        assert found["weight_bearing_share"].number == pytest.approx(share, abs=0.02)


def test_without_outlines_every_extent_is_missing_with_its_reason() -> None:
    found = lesion_extent(film_hip(drawn_pelvis(), SCALE))
    assert set(found) == set(EXTENT_FORMULAS)
    assert all(not value.known for value in found.values())
    assert "No lesion is outlined on the AP film" in (found["necrotic_arc_ap_deg"].reason or "")
    assert "no usable lateral film" in (found["necrotic_arc_lateral_deg"].reason or "")


def test_the_side_of_the_hip_changes_no_extent() -> None:
    # The film frame is medial-positive on both sides: the same outline in mm is the same lesion.
    right = lesion_extent(hip_with([sector(40.0, 130.0, 12.0)], []))["necrotic_arc_ap_deg"]
    from headstock.frames import Side

    plain = drawn_pelvis(side=Side.LEFT)
    axes = film_hip(plain, SCALE).ap.axes
    assert axes is not None
    left_reading = dataclasses.replace(plain, outlines={"left.lesion": axes.to_px(sector(40.0, 130.0, 12.0))})
    left = lesion_extent(film_hip(left_reading, SCALE))["necrotic_arc_ap_deg"]
    assert left.number == pytest.approx(right.number, abs=1e-6)
