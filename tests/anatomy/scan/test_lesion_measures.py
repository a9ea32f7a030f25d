"""Extent of dead bone on a scan against closed forms of balls, and beside the reading of films."""

from dataclasses import replace

import numpy as np
import pytest

from headstock.anatomy.osteonecrosis import koo_kim_index
from headstock.anatomy.scan.lesion_agreement import extent_agreement, weight_bearing_type
from headstock.anatomy.scan.lesion_measures import JOINT_FORCE_HIP, lesion_measures
from headstock.anatomy.scan.segmentation import PELVIS
from headstock.errors import FrameError
from headstock.frames import LPS_TO_HIP, Side
from headstock.measured import Measured, missing, normal

from .lesion_cases import CENTRE, RADIUS, Ball, exact_lesion, head_scan, plain_hip
from .scan_cases import grid_points


def measured_on(*balls: Ball, side: Side = Side.RIGHT, sd: float = 0.0, centre_sd: float = 0.0):  # type: ignore[no-untyped-def]
    case = head_scan(*balls, side=side, noise=0.0)
    lesion = exact_lesion(case, *balls, sd=sd)
    return lesion_measures(lesion, case.scan, case.seg, plain_hip(side, sds=(centre_sd, 0.0, 0.0)))


def value(lesion, name: str) -> float:  # type: ignore[no-untyped-def]
    return float(lesion.measures[name].number)


@pytest.mark.parametrize("side", [Side.RIGHT, Side.LEFT])
def test_the_arc_of_a_ball_is_twice_the_angle_its_radius_takes(side: Side) -> None:
    # A ball of radius r cut through its middle, at distance d: 2 asin(r / d).
    lesion = measured_on(Ball((0.0, 0.0, 12.0), 6.0), side=side)
    arc = 2.0 * np.degrees(np.arcsin(6.0 / 12.0))
    assert value(lesion, "necrotic_arc_coronal_deg") == pytest.approx(arc, abs=1.0)  # steps of half a degree, both ends
    assert value(lesion, "necrotic_arc_sagittal_deg") == pytest.approx(arc, abs=1.0)
    assert value(lesion, "combined_necrotic_angle_deg") == pytest.approx(2.0 * arc, abs=2.0)
    index = koo_kim_index(value(lesion, "necrotic_arc_coronal_deg"), value(lesion, "necrotic_arc_sagittal_deg"))
    assert value(lesion, "necrotic_index_percent") == pytest.approx(index)


def test_a_ball_beside_the_cut_shows_its_smaller_circle() -> None:
    # Off the coronal plane by 3 mm the ball of 6 mm is a circle of sqrt(27) mm; the sagittal cut meets it in full.
    lesion = measured_on(Ball((0.0, 3.0, 12.0), 6.0))
    assert value(lesion, "necrotic_arc_coronal_deg") == pytest.approx(
        2.0 * np.degrees(np.arcsin(np.sqrt(27.0) / 12.0)), abs=1.0
    )
    assert value(lesion, "necrotic_arc_sagittal_deg") == pytest.approx(
        2.0 * np.degrees(np.arcsin(6.0 / np.hypot(3.0, 12.0))), abs=1.0
    )


def test_overlapping_arcs_count_once() -> None:
    one = measured_on(Ball((0.0, 0.0, 14.0), 5.0))
    two = measured_on(Ball((0.0, 0.0, 14.0), 5.0), Ball((0.0, 0.0, 6.0), 2.0))
    assert value(two, "necrotic_arc_coronal_deg") == pytest.approx(value(one, "necrotic_arc_coronal_deg"), abs=0.6)


def test_share_of_the_head_is_that_of_two_volumes() -> None:
    # Head: the ball above a plane 1.5 radii below the pole, a cap of height h: pi h^2 (3 R - h) / 3.
    lesion = measured_on(Ball((0.0, 0.0, 10.0), 6.0))
    h = 1.5 * RADIUS
    cap = np.pi * h**2 * (3.0 * RADIUS - h) / 3.0
    # The neck (radius 13 mm) leaves the ball 39.7 mm below the pole, deeper than the plane: nothing is added.
    expected = 100.0 * (4.0 / 3.0 * np.pi * 6.0**3) / cap
    assert value(lesion, "share_of_head_percent") == pytest.approx(expected, rel=0.01)


def test_dead_bone_in_the_neck_is_no_share_of_the_head() -> None:
    deep = tuple(float(v) for v in -20.0 * np.array([1.0, 0.0, 1.0]) / np.sqrt(2.0))  # 42 mm below the pole
    assert value(measured_on(Ball(deep, 5.0)), "share_of_head_percent") < 0.5


def test_the_weight_bearing_share_is_that_of_two_caps() -> None:
    # A ball centred on the joint force takes a cap of half-angle asin(r / d) of the cap of 45 degrees.
    force = np.array(JOINT_FORCE_HIP) / np.linalg.norm(JOINT_FORCE_HIP)
    lesion = measured_on(Ball(tuple(float(v) for v in 15.0 * force), 6.0))
    expected = 100.0 * (1.0 - np.cos(np.arcsin(6.0 / 15.0))) / (1.0 - np.cos(np.radians(45.0)))
    assert value(lesion, "weight_bearing_share_percent") == pytest.approx(expected, rel=0.03)


def test_the_rims_error_and_the_centres_error_widen_the_arc() -> None:
    def width(**sds: float) -> float:
        arc = measured_on(Ball((0.0, 0.0, 12.0), 6.0), **sds).measures["necrotic_arc_coronal_deg"]
        return float(arc.high - arc.low)

    assert width() == pytest.approx(0.0, abs=1e-9)
    # d arc / d r = 2 / sqrt(d^2 - r^2) = 0.192 rad/mm; d arc / d (centre toward the ball) = 2 r / (d sqrt(d^2 - r^2)).
    assert width(sd=0.3) == pytest.approx(2 * 1.96 * 0.3 * np.degrees(2.0 / np.sqrt(108.0)), rel=0.15)
    assert width(centre_sd=0.5) == pytest.approx(2 * 1.96 * 0.5 * np.degrees(12.0 / (12.0 * np.sqrt(108.0))), rel=0.2)


def test_none_found_leaves_every_measure_missing_with_its_reason() -> None:
    from headstock.anatomy.scan.lesion import no_lesion

    case = head_scan(noise=0.0)
    lesion = lesion_measures(no_lesion(case.seg, case.scan, n_draws=100), case.scan, case.seg, plain_hip())
    assert lesion.measures["share_of_head_percent"].kind == "missing"
    assert "No dead bone" in (lesion.measures["combined_necrotic_angle_deg"].reason or "")


def test_a_lesion_of_other_outlines_is_refused() -> None:
    ball = Ball((0.0, 0.0, 12.0), 6.0)
    case, other = head_scan(ball, noise=0.0), head_scan(ball, noise=0.0, shift=(0.5, 0.0, 0.0))
    with pytest.raises(FrameError, match="another grid"):
        lesion_measures(exact_lesion(other, ball), case.scan, case.seg, plain_hip())


def with_socket(case, lateral_deg: float, medial_deg: float):  # type: ignore[no-untyped-def]
    """A bowl 3 to 8 mm outside the head from `lateral_deg` (from straight up, outward) to `medial_deg`."""
    off = (grid_points(case.scan.grid) - CENTRE) @ LPS_TO_HIP[case.side].T
    away = np.linalg.norm(off, axis=-1) - RADIUS
    angle = np.degrees(np.arctan2(off[..., 0], off[..., 2]))
    bowl = (away > 3.0) & (away < 8.0) & (angle > -lateral_deg) & (angle < medial_deg) & (np.abs(off[..., 1]) < 12.0)
    return replace(case.seg, bones=np.where(bowl, PELVIS, case.seg.bones).astype(np.uint8))


@pytest.mark.parametrize(("x", "kind"), [(12.0, "A"), (3.0, "B"), (-5.0, "C1"), (-12.0, "C2")])
def test_the_type_follows_how_far_dead_bone_reaches_outward(x: float, kind: str) -> None:
    ball = Ball((x, 0.0, 12.0), 4.0)
    case = head_scan(ball, noise=0.0)
    seg = with_socket(case, 35.0, 100.0)
    lesion = lesion_measures(exact_lesion(case, ball), case.scan, seg, plain_hip())
    # Ends of the socket at 35 degrees outward and 100 degrees inward of straight up, 25 mm from the centre.
    r = RADIUS + 3.0
    inner = r * np.array([np.sin(np.radians(100.0)), np.cos(np.radians(100.0))])
    outer = r * np.array([-np.sin(np.radians(35.0)), np.cos(np.radians(35.0))])
    half = 0.5 * (outer - inner)
    outward = half / np.linalg.norm(half)
    expected = ((np.array([x, 12.0]) - (inner + half)) @ outward + 4.0) / np.linalg.norm(half)
    assert value(lesion, "coronal_reach") == pytest.approx(max(expected, 0.0), abs=0.06)  # a voxel of its ends
    found = weight_bearing_type(lesion)
    assert found is not None
    assert kind in (found[0].type, *found[1])
    assert found[0].modality is None  # CT: nobody published how it compares


def test_without_a_socket_the_reach_is_missing_with_its_reason() -> None:
    lesion = measured_on(Ball((0.0, 0.0, 12.0), 4.0))
    assert lesion.measures["coronal_reach"].kind == "missing"
    assert weight_bearing_type(lesion) is None


def test_a_lesion_seen_on_mr_keeps_its_modality_in_the_type() -> None:
    ball = Ball((3.0, 0.0, 12.0), 4.0)
    case = head_scan(ball, noise=0.0)
    lesion = lesion_measures(
        replace(exact_lesion(case, ball), modality="MR"), case.scan, with_socket(case, 35.0, 100.0), plain_hip()
    )
    found = weight_bearing_type(lesion)
    assert found is not None
    assert found[0].modality == "mri"


def film(**numbers: Measured) -> dict[str, Measured]:
    return dict(numbers)


def test_scan_and_film_agree_when_their_intervals_allow_it() -> None:
    lesion = measured_on(Ball((0.0, 0.0, 12.0), 6.0), sd=0.3)
    rows = extent_agreement(lesion, film(combined_necrotic_angle_deg=normal(122.0, 4.0, "deg", "film")))
    assert [row.key for row in rows] == ["combined_necrotic_angle_deg"]
    assert rows[0].agrees is True
    assert "On film: small" in rows[0].says
    assert rows[0].difference.number == pytest.approx(value(lesion, "combined_necrotic_angle_deg") - 122.0)


def test_scan_and_film_that_differ_say_why_they_may() -> None:
    lesion = measured_on(Ball((0.0, 0.0, 12.0), 6.0), sd=0.3)
    rows = extent_agreement(lesion, film(necrotic_arc_ap_deg=normal(90.0, 3.0, "deg", "film")))
    assert rows[0].agrees is False
    assert "widest shadow" in rows[0].says


def test_a_missing_film_number_leaves_the_row_undecided() -> None:
    lesion = measured_on(Ball((0.0, 0.0, 12.0), 6.0))
    rows = extent_agreement(lesion, film(necrotic_arc_ap_deg=missing("deg", "film", "No lesion is outlined.")))
    assert rows[0].agrees is None
    assert rows[0].says == "No lesion is outlined."
