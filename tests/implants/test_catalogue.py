"""Family files: what comes with headstock, what a hospital may add, what is refused."""

import re

import numpy as np
import pytest

from headstock.errors import CatalogueError
from headstock.implants import Catalogue, CutLevel, Placement, Pose, level_range_mm

approx = pytest.approx

OWN = Catalogue.load()
BOWL = """
schema = 1
id = "hospital-bowl"
name = "A hospital's bowl"
kind = "seated"
level = "mid_head"
impinges_on = "bone"
canal = "closed"
made_by = "invented for this test"
seat_wall_aim_mm = 4.0
head_diameters_mm = [46.0, 48.0]
[shape]
seat_top_width_mm = { ratio = 1.0 }
seat_bottom_width_mm = { ratio = 0.7, plus_mm = 1.0 }
seat_depth_mm = 15.0
tail_length_mm = 30.0
tail_top_width_mm = 10.0
tail_tip_width_mm = 8.0
head_height_mm = 5.0
neck_diameter_mm = 20.0
[[sizes]]
id = "a"
nominal_mm = 26.0
[[sizes]]
id = "b"
nominal_mm = 28.0
seat_depth_mm = 17.0
"""
CUP = """
schema = 1
id = "hospital-cup"
name = "A hospital's cup"
kind = "cup"
made_by = "invented for this test"
arc_deg = 170.0
[[sizes]]
id = "a"
outer_mm = 54.0
head_diameters_mm = [46.0]
"""
DRAWN = """
schema = 1
id = "drawn"
name = "Drawn point by point"
kind = "seated"
level = "mid_head"
impinges_on = "bone"
canal = "closed"
made_by = "invented for this test"
seat_wall_aim_mm = 4.0
head_diameters_mm = [46.0]
[[sizes]]
id = "a"
nominal_mm = 26.0
head_height_mm = 5.0
neck_diameter_mm = 20.0
outline_ap_mm = [[-13, 0], [13, 0], [9, -15], [4, -17], [4, -45], [-4, -45], [-4, -17], [-9, -15]]
seat_ap_mm = [[[-13, 0], [-9, -15]], [[13, 0], [9, -15]]]
"""


def test_every_cut_level_has_a_family_of_its_own():
    assert all(OWN.at_level(level) for level in CutLevel)


def test_numbers_may_follow_the_nominal_size_or_be_given_by_size():
    family = Catalogue.from_texts({"bowl.toml": BOWL}).family("hospital-bowl")
    assert family.component("b").parameters["seat_bottom_width_mm"] == approx(0.7 * 28.0 + 1.0)
    assert family.component("a").parameters["seat_depth_mm"] == 15.0
    assert family.component("b").parameters["seat_depth_mm"] == 17.0


def test_a_hospitals_folder_is_added_to_the_families_that_come_with_headstock(tmp_path):
    (tmp_path / "bowl.toml").write_text(BOWL, encoding="utf-8")
    (tmp_path / "cup.toml").write_text(CUP, encoding="utf-8")
    both = Catalogue.load([tmp_path])
    assert set(both.families) == set(OWN.families) | {"hospital-bowl"}
    assert both.cup("hospital-cup", "a").arc_deg == 170.0


def test_an_outline_may_be_drawn_point_by_point():
    component = Catalogue.from_texts({"drawn.toml": DRAWN}).family("drawn").component("a")
    assert component.tail_tip_mm[1] == approx(-45.0)
    assert np.all(component.ap.in_bone_mm[:, 1] <= 1e-9)
    assert component.lowest_seat_mm == approx(15.0)


def test_sizes_know_their_neighbours():
    family = OWN.family("surface-cap")
    ids = [s.id for s in family.sizes]
    assert family.neighbours(ids[0]) == (None, ids[1])
    assert family.neighbours(ids[-1]) == (ids[-2], None)


def test_every_head_of_every_family_finds_a_cup():
    for family in OWN.families.values():
        for component in family.components:
            for head in component.head_diameters_mm:
                assert OWN.cups_for_head(head), (family.id, head)


def test_every_head_a_part_takes_is_in_a_head_family():
    for family in OWN.families.values():
        for component in family.components:
            found = [head.diameter_mm for head in OWN.heads_for(component)]
            assert found == ([] if component.kind == "cap" else list(component.head_diameters_mm)), family.id


def test_heads_that_do_not_rise_are_refused():
    text = CUP.replace('kind = "cup"', 'kind = "head"').replace("arc_deg = 170.0\n", "")
    text = text.replace("outer_mm = 54.0\nhead_diameters_mm = [46.0]", "diameter_mm = 40.0")
    with pytest.raises(CatalogueError, match="List sizes upward"):
        Catalogue.from_texts({"h.toml": text + '[[sizes]]\nid = "b"\ndiameter_mm = 36.0\n'})


def test_each_larger_size_is_wider_everywhere():
    for family in OWN.families.values():
        widths = [np.ptp(c.ap.body_mm[:, 0]) for c in family.components]
        assert np.all(np.diff(widths) > 0), family.id


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("schema = 1", "schema = 7", "reads schema 1"),
        ('kind = "seated"', 'kind = "wedge"', "kind is 'wedge'"),
        ('level = "mid_head"', 'level = "knee"', "one of head_surface"),
        ("seat_depth_mm = 15.0", "seat_dept_mm = 15.0", "Did you mean “seat_depth_mm”"),
        ("seat_depth_mm = 15.0", "seat_depth_mm = -15.0", "must be positive"),
        ("seat_depth_mm = 15.0", "seat_depth_mm = nan", "must be a number"),
        ("seat_depth_mm = 15.0", 'seat_depth_mm = "15"', "must be a number"),
        ("seat_depth_mm = 15.0\ntail", "tail", "seat_depth_mm .* is missing"),
        ("nominal_mm = 28.0", "nominal_mm = 25.0", "List sizes upward"),
        ('id = "b"', 'id = "a"', "two sizes carry this id"),
        ("head_diameters_mm = [46.0, 48.0]", "head_diameters_mm = [48.0, 46.0]", "rise without repeats"),
        ("tail_tip_width_mm = 8.0", "tail_tip_width_mm = 8.0\ntail_lobe_depth_mm = 4.0", "lobes are deeper"),
        ("[[sizes]]", "[[size]]", "not part of the schema"),
        ("schema = 1", "schema = ", "not readable as TOML"),
    ],
)
def test_a_family_that_breaks_the_schema_is_refused_with_the_file_and_the_reason(old, new, words):
    assert old in BOWL
    with pytest.raises(CatalogueError, match=words) as refusal:
        Catalogue.from_texts({"bowl.toml": BOWL.replace(old, new)})
    assert "bowl.toml" in str(refusal.value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[13, 0], [9, -15], [4", "[9, -15], [13, 0], [4", "crosses itself"),
        ("[[-13, 0], [-9, -15]]", "[[-16, 0], [-12, -15]]", "leaves the outline"),
        ("seat_ap_mm = [[[-13, 0], [-9, -15]], [[13, 0], [9, -15]]]", "", "seat_ap_mm is missing"),
        ("[[-13, 0], [13, 0], [9, -15], [4, -17], [4, -45], [-4, -45], [-4, -17], [-9, -15]]", "[[0, 0], [1, 1]]", "3"),
    ],
)
def test_a_drawn_outline_that_cannot_be_is_refused(old, new, words):
    assert old in DRAWN
    with pytest.raises(CatalogueError, match=words):
        Catalogue.from_texts({"drawn.toml": DRAWN.replace(old, new)})


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [("outer_mm = 54.0", "outer_mm = 48.0", "wall under 1.5"), ("arc_deg = 170.0", "arc_deg = 20.0", "90 to 200")],
)
def test_a_cup_that_cannot_be_made_is_refused(old, new, words):
    with pytest.raises(CatalogueError, match=words):
        Catalogue.from_texts({"cup.toml": CUP.replace(old, new)})


def test_two_files_may_not_share_an_id():
    with pytest.raises(CatalogueError, match="taken by another file"):
        Catalogue.from_texts({"a.toml": BOWL, "b.toml": BOWL})


def test_a_missing_folder_is_named_without_its_path(tmp_path):
    with pytest.raises(CatalogueError, match="makers") as refusal:
        Catalogue.load([tmp_path / "makers"])
    assert str(tmp_path) not in str(refusal.value)


def test_a_placement_survives_json_and_a_wrong_head_is_refused():
    placement = Placement("mid-head-bowl", "3", 46.0, 0.0, Pose(1.0, -4.0, 36.0, 0.5, 2.0))
    assert Placement.from_json(placement.to_json()) == placement
    assert OWN.component(placement).size_id == "3"
    with pytest.raises(CatalogueError, match=re.escape("no head of 47 mm")):
        OWN.component(Placement("mid-head-bowl", "3", 47.0, 0.0, placement.pose))
    with pytest.raises(CatalogueError, match="cannot be read"):
        Placement.from_json({"family": "mid-head-bowl"})


def test_the_four_levels_follow_each_other_without_gap():
    ends = [level_range_mm(level, 37.0, 76.0) for level in CutLevel]
    assert [float(e[0]) for e in ends] == [0.0, 18.5, 37.0, 56.5]
    assert [float(e[1]) for e in ends] == [18.5, 37.0, 56.5, 76.0]
