"""Published classes, counts and formulas: the outside table, every edge, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from headstock.anatomy import head_surface, osteonecrosis, shape_classes
from headstock.anatomy.bands import BANDS, place
from headstock.desk.verify import own_table, verify
from headstock.errors import CalibrationError, TooFewError
from headstock.measured import Measured

# Topic of the outside table → the one function it checks.
TOPICS = {
    "on_arco2019_stage": osteonecrosis.arco_2019_stage,
    "on_counts": osteonecrosis.collapse_percent,
    "on_jic_collapse": osteonecrosis.jic_collapse_percent,
    "on_jic_type": osteonecrosis.jic_type,
    "on_kerboul_counts": osteonecrosis.history_counts,
    "on_kerboul_grade": osteonecrosis.kerboul_mri_grade,
    "on_kerboul_radiographic": osteonecrosis.kerboul_radiograph,
    "on_kerboul_risk": osteonecrosis.kerboul_mri_risk,
    "on_necrotic_index": osteonecrosis.koo_kim_index,
    "on_steinberg_IV_depression": osteonecrosis.steinberg_depression,
    "on_steinberg_extent": osteonecrosis.steinberg_extent,
    "xr_canal_flare": shape_classes.canal_flare_class,
    "xr_crowe": shape_classes.crowe_subluxation_percent,
    "xr_crowe_class": shape_classes.crowe_class,
    "xr_dorr_cortical_index": shape_classes.dorr_type_of_cortical_index,
    "xr_dorr_ratio": shape_classes.dorr_type,
    "xr_extrusion_index": shape_classes.extrusion_index_percent,
    "xr_hip_centre": shape_classes.expected_hip_centre_mm,
    "xr_lce": shape_classes.centre_edge_class,
    "xr_lld": shape_classes.leg_length_difference_from_image_mm,
    "xr_mpfa_rotation": shape_classes.mpfa_change_deg,
    "xr_nsa_projection": shape_classes.projected_neck_shaft_angle_deg,
    "xr_offset_ap_pelvis_bias": shape_classes.offset_bias_percent,
    "xr_offset_projection": shape_classes.projected_offset_mm,
    "res_benchmark": head_surface.revision_benchmark_percent,
    "res_cyst_test": head_surface.cyst_failure_p,
    "res_fracture": head_surface.fracture_percent,
    "res_fracture_rr": head_surface.relative_risk,
    "res_ion": head_surface.ion_nmol_per_L,
    "res_ion_flag": head_surface.ion_flag,
    "res_neck_narrowing": head_surface.neck_narrowing_percent,
    "res_sari": head_surface.sari_points,
}


def test_every_row_of_the_outside_table_about_films_and_osteonecrosis_passes() -> None:
    # trade_checks.csv names the published source of each row.
    report = verify(own_table(), TOPICS)
    ours = [r for r in report.results if r.topic in TOPICS]
    assert {r.topic for r in ours} == set(TOPICS)
    assert [r for r in ours if r.outcome != "pass"] == []


@pytest.mark.parametrize(
    ("system", "edges"),
    [
        ("kerboul_radiograph", {0: "small", 160: "small", 160.5: "medium", 199.9: "medium", 200: "large"}),
        ("kerboul_mri_risk", {190: "low", 190.1: "moderate", 239.9: "moderate", 240: "high"}),
        ("kerboul_mri_grade", {199.9: "1", 200: "2", 249.9: "2", 250: "3", 299.9: "3", 300: "4", 400: "4"}),
        ("koo_kim", {33: "small", 34: "medium", 66: "medium", 66.1: "large"}),
        ("steinberg_extent", {14.99: "A", 15: "B", 30: "B", 30.01: "C"}),
        ("steinberg_depression", {1.99: "A", 2: "B", 4: "B", 4.01: "C"}),
        ("arco_depression", {0: "IIIA", 2.0: "IIIA", 2.01: "IIIB"}),
        ("canal_flare", {2.99: "stovepipe", 3.0: "normal", 4.7: "normal", 4.71: "champagne-flute"}),
        ("dorr_ratio", {0.49: "A", 0.5: "B", 0.75: "B", 0.76: "C"}),
        ("dorr_cortical_index", {0.48: "C", 0.484: "C", 0.49: "B", 0.57: "B", 0.574: "B", 0.58: "A"}),
        ("lateral_centre_edge", {-5: "dysplasia", 20: "borderline", 25: "borderline", 25.1: "normal"}),
        ("crowe", {-10: "I", 49.9: "I", 50: "II", 74.9: "II", 75: "III", 100: "III", 100.1: "IV"}),
    ],
)  # fmt: skip
def test_every_edge_belongs_to_the_class_that_is_written_down(system: str, edges: dict[float, str]) -> None:
    for value, name in edges.items():
        assert BANDS[system].of(value) == name, value


@given(st.sampled_from(sorted(BANDS)), st.floats(0, 1000), st.floats(0, 1000))
def test_a_larger_value_never_falls_into_an_earlier_class(system: str, a: float, b: float) -> None:
    order = [entry.name for entry in BANDS[system].bands]
    low, high = sorted((a, b))
    assert order.index(BANDS[system].of(low)) <= order.index(BANDS[system].of(high))


def test_every_class_table_says_who_owns_its_edges_and_where_it_comes_from() -> None:
    for table in BANDS.values():
        assert table.edges.endswith(".")
        assert table.source
        assert table.status in ("published", "from memory", "common practice")
        ends = [entry.up_to for entry in table.bands]
        assert ends[-1] is None
        assert ends[:-1] == sorted(e for e in ends if e is not None)


def test_what_is_no_quantity_has_no_class() -> None:
    with pytest.raises(TooFewError, match="has no class"):
        osteonecrosis.kerboul_radiograph(-1.0)
    with pytest.raises(TooFewError, match="has no class"):
        osteonecrosis.steinberg_extent(float("nan"))


def test_an_interval_that_reaches_other_classes_names_them() -> None:
    wide = place("kerboul_radiograph", Measured(150.0, "deg", "test", 130.0, 205.0))
    assert wide is not None
    assert wide.name == "small"
    assert wide.words == "small (the interval reaches medium and large)"
    tight = place("kerboul_radiograph", Measured(150.0, "deg", "test", 140.0, 155.0))
    assert tight is not None
    assert tight.words == "small"


def test_jic_types_and_their_published_collapse() -> None:
    assert [osteonecrosis.jic_type(s, False) for s in (0.0, 1 / 3, 0.34, 2 / 3, 0.67, 1.0)] == [
        "A", "A", "B", "B", "C1", "C1",
    ]  # fmt: skip
    assert osteonecrosis.jic_type(0.9, True) == "C2"
    # Kuroda et al. 2019 at 2 and 5 years, Asada et al. 2021 at 36 months.
    want = {
        2: {"A": 0.0, "B": 7.9, "C1": 23.2, "C2": 57.8},
        5: {"A": 0.0, "B": 7.9, "C1": 36.6, "C2": 84.8},
        3: {"A": 0.0, "B": 10.8, "C1": 48.5, "C2": 76.7},
    }
    for years, row in want.items():
        for name, percent in row.items():
            assert osteonecrosis.jic_collapse_percent(name, years) == percent
    with pytest.raises(TooFewError, match="collapsed already"):
        osteonecrosis.jic_collapse_percent("B", 5, precollapse=False)
    with pytest.raises(TooFewError, match="No series gives"):
        osteonecrosis.jic_collapse_percent("B", 10)
    with pytest.raises(TooFewError, match="No series gives"):
        osteonecrosis.jic_collapse_percent("D", 5)


def test_the_two_reports_of_one_cohort_are_marked_as_one() -> None:
    rows = [h for b in ("low", "moderate", "high") for h in osteonecrosis.collapse_history("kerboul_mri_risk", b)]
    grades = [h for g in "1234" for h in osteonecrosis.collapse_history("kerboul_mri_grade", g)]
    # Ha 2006: 29 of 37 by either grouping, the same hips.
    for group in (rows, grades):
        assert sum(h.collapsed or 0 for h in group) == 29
        assert sum(h.hips or 0 for h in group) == 37
        assert {h.cohort for h in group} == {"koo_kim_ha"}
    assert "25 of 25 hips collapsed" in rows[-1].words
    assert "one cohort, not two" in rows[-1].words
    assert osteonecrosis.history_counts("grade 3") == "16/16"
    assert osteonecrosis.history_counts("4") == "7/7"
    with pytest.raises(TooFewError, match="grades 1 to 4"):
        osteonecrosis.history_counts("middling")


def test_projection_changes_nothing_in_the_plane_and_agrees_with_projected_vectors() -> None:
    assert shape_classes.projected_offset_mm(45.0, 0.0) == 45.0
    assert shape_classes.projected_neck_shaft_angle_deg(127.0, 0.0) == pytest.approx(127.0)
    for angle, out in ((127.0, 20.0), (118.0, 35.0), (85.0, 15.0)):
        a = np.radians(angle - 90.0)
        d = np.radians(out)
        neck = np.array([np.cos(a) * np.cos(d), np.sin(a)])  # what is left of the neck in the film plane
        seen = np.degrees(np.arccos(neck @ np.array([0.0, -1.0]) / np.linalg.norm(neck)))
        assert shape_classes.projected_neck_shaft_angle_deg(angle, out) == pytest.approx(seen)
    with pytest.raises(TooFewError, match="less than 90"):
        shape_classes.projected_offset_mm(45.0, 90.0)
    with pytest.raises(TooFewError, match="between 0 and 180"):
        shape_classes.projected_neck_shaft_angle_deg(190.0, 10.0)


def test_the_hip_centre_is_expected_for_both_sexes_and_both_directions() -> None:
    # Turkish study 2018, PMC6197315: 30.0 and 29.1 % above, 14.3 and 13.7 % lateral.
    assert shape_classes.expected_hip_centre_mm("M", 200.0) == pytest.approx(60.02)
    assert shape_classes.expected_hip_centre_mm("female", 200.0) == pytest.approx(58.2)
    assert shape_classes.expected_hip_centre_mm("M", 200.0, "lateral") == pytest.approx(28.6)
    assert shape_classes.expected_hip_centre_mm("F", 200.0, "lateral") == pytest.approx(27.4)
    with pytest.raises(TooFewError, match="M and F"):
        shape_classes.expected_hip_centre_mm("X", 200.0)
    with pytest.raises(CalibrationError, match="more than zero"):
        shape_classes.expected_hip_centre_mm("M", 0.0)


def test_head_surface_figures_by_hand() -> None:
    assert head_surface.fracture_percent(0, 10) == 0.0
    assert head_surface.ion_nmol_per_L("Co", 58.933194) == pytest.approx(1000.0)
    assert head_surface.ion_flag(7.0, 3.0, 7) == "below"
    assert head_surface.ion_flag(3.0, 7.01, 7) == "above"
    assert head_surface.neck_narrowing_percent(35, 50, 35 * 1.2, 50 * 1.2) == pytest.approx(0.0)
    # Yates' correction for 3/117 against 0/117: chi2 = 234 (|3·117 - 0·114| - 117)² / (3·231·117²), by hand 1.3506.
    assert head_surface.cyst_failure_p(3, 117, 0, 117, "chi2 corrected") == pytest.approx(0.2452, abs=1e-3)
    with pytest.raises(TooFewError, match="is no share"):
        head_surface.fracture_percent(11, 10)
    with pytest.raises(TooFewError, match="Co or Cr"):
        head_surface.ion_nmol_per_L("Ti", 1.0)
    with pytest.raises(TooFewError, match="No benchmark at 7 years"):
        head_surface.revision_benchmark_percent(7)
    with pytest.raises(TooFewError, match="No test is called"):
        head_surface.cyst_failure_p(3, 117, 0, 117, "t test")
    with pytest.raises(TooFewError, match="nothing to compare"):
        head_surface.cyst_failure_p(0, 117, 0, 117, "chi2 uncorrected")
    with pytest.raises(TooFewError, match="above zero in men"):
        head_surface.relative_risk(1.0, 0.0)
    with pytest.raises(TooFewError, match="zero or more"):
        head_surface.ion_flag(-1.0, 1.0, 7)
    with pytest.raises(TooFewError, match="more than zero on both"):
        head_surface.neck_narrowing_percent(0, 50, 35, 50)


@pytest.mark.parametrize(
    ("cyst", "weight", "operated", "ucla", "points"),
    [(1.0, 82.0, 0, 6, 0), (1.01, 82.0, 0, 6, 2), (1.0, 81.9, 0, 6, 2), (1.0, 82.0, 1, 6, 1), (1.0, 82.0, 0, 7, 1)],
)
def test_each_item_of_the_risk_index_counts_strictly_beyond_its_edge(
    cyst: float, weight: float, operated: int, ucla: float, points: int
) -> None:
    assert head_surface.sari_points(cyst, weight, operated, ucla) == points
