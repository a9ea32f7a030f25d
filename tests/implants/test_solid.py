"""Components in space: closed forms, the outlines of the films, an independent library, what is carved, the seat."""

from itertools import pairwise

import manifold3d
import numpy as np
import pytest
import trimesh

from headstock.errors import CatalogueError
from headstock.geometry.polygon import area_mm2, distance_to_polyline
from headstock.implants import Catalogue
from headstock.implants.shape import resampled
from headstock.implants.solid import cup_mesh, head_mesh, solid

approx = pytest.approx
OWN = Catalogue.load()
ALL = [(family.id, size.id) for family in OWN.families.values() for size in family.sizes]
SOME = [("surface-cap", "4"), ("mid-head-bowl", "5"), ("high-neck-stem", "4"), ("standard-stem", "6")]
HEAD = """
schema = 1
id = "test-part"
name = "A part for a test"
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
"""
CONE = {
    "seat_top_width_mm": 24.0, "seat_bottom_width_mm": 14.0, "seat_depth_mm": 20.0, "tail_length_mm": 40.0,
    "tail_top_width_mm": 14.0, "tail_tip_width_mm": 14.0,
}  # fmt: skip


def part(text=HEAD, **parameters):
    lines = "".join(f"{key} = {value}\n" for key, value in parameters.items())
    return Catalogue.from_texts({"part.toml": text + lines}).family("test-part").component("a")


def frustum(a, b, height):
    return np.pi * height / 3 * (a * a + a * b + b * b)


def tip(half):
    """A cylinder's end rounded to a quarter ellipse, cut off at a fifth of the half width; by slices of 1 mm."""
    left = np.arange(int(half), -1, -1) / half
    radius = half * np.sqrt(np.clip(1 - (1 - np.clip(left, 0, 1)) ** 2, 0.04, 1))
    return sum(frustum(a, b, 1.0) for a, b in pairwise(radius)), len(radius) - 1


@pytest.mark.parametrize(("family", "size"), ALL)
def test_every_size_that_comes_with_headstock_is_a_closed_body(family, size):
    component = OWN.family(family).component(size)
    made = solid(component)
    assert trimesh.Trimesh(made.mesh.vertices, made.mesh.faces, process=False).is_watertight
    assert trimesh.Trimesh(made.carved_mesh.vertices, made.carved_mesh.faces, process=False).is_watertight
    assert made.volume_mm3 == approx(trimesh.Trimesh(made.mesh.vertices, made.mesh.faces, process=False).volume)
    assert made.volume_mm3 > 2000.0
    assert len(made.seat_points) == approx(800, abs=60)


def test_the_volume_of_a_cone_with_a_round_tail_is_its_closed_form():
    made = solid(part(**CONE))
    rounded, long = tip(7.0)
    expected = frustum(12.0, 7.0, 20.0) + np.pi * 49.0 * (40.0 - long) + rounded
    # 96 points around a circle hold sin(x)/x of its area, x = 2 pi / 96.
    assert made.volume_mm3 == approx(expected * np.sinc(2 / 96), rel=1e-4)


def test_the_volume_of_an_elliptic_cone_is_that_of_the_cone_times_its_ratio():
    round_, flat = solid(part(**CONE)), solid(part(**CONE, seat_lateral_ratio=0.7, tail_lateral_ratio=0.7))
    tail_end = 7.0 * 8.0 * 7.0  # the tip is rounded by its own half width on each film: it differs within this box
    assert abs(flat.volume_mm3 - 0.7 * round_.volume_mm3) < 0.05 * tail_end * 4


def test_lobes_take_away_what_their_section_says():
    plain = solid(part(**CONE))
    lobed = solid(part(**CONE, tail_lobes=3, tail_lobe_depth_mm=1.0))
    # Mean of r^2 over a turn of r = 7 - (1 - cos 3 angle) / 2: 6.5^2 + 0.125 = 42.375, of 49 for the circle.
    cut = (0.0, 0.0, -30.0), (0.0, 0.0, 1.0)
    (whole,), (less,) = plain.mesh.section(*cut), lobed.mesh.section(*cut)
    assert area_mm2(less[:-1, :2]) / area_mm2(whole[:-1, :2]) == approx(42.375 / 49.0, rel=1e-3)
    assert lobed.carved_mesh.volume_mm3 == approx(plain.carved_mesh.volume_mm3)


def test_the_body_of_a_cap_is_dome_less_seat_plus_pin():
    c = OWN.family("surface-cap").component("4")
    p = c.parameters
    radius, top, mouth = p["head_diameter_mm"] / 2, p["seat_top_width_mm"] / 2, p["mouth_width_mm"] / 2
    height = radius - p["mouth_height_mm"]
    dome = np.pi * height**2 * (3 * radius - height) / 3
    seat = frustum(top, mouth, p["seat_top_height_mm"] - p["mouth_height_mm"])
    pin = frustum(p["pin_width_mm"] / 2, p["pin_tip_width_mm"] / 2, p["pin_length_mm"])
    # The dome is drawn with 48 chords of 3 to 4 degrees: a part in a thousand of the ball is cut off.
    assert solid(c).volume_mm3 == approx(dome - seat + pin, rel=6e-3)


def test_the_seat_of_a_cone_has_its_closed_form_and_its_normals():
    made = solid(part(**CONE))
    slant = np.hypot(20.0, 5.0)
    assert made.seat_areas_mm2.sum() == approx(np.pi * 19.0 * slant, rel=1e-3)
    out = made.seat_points[:, :2] / np.linalg.norm(made.seat_points[:, :2], axis=1, keepdims=True)
    expected = np.column_stack([out * 20.0, np.full(len(out), -5.0)]) / slant
    assert np.einsum("ij,ij->i", made.seat_normals, expected).min() > 0.998


@pytest.mark.parametrize(("family", "size"), SOME)
def test_seat_points_lie_on_the_body_face_out_of_it_and_stand_for_equal_areas(family, size):
    made = solid(OWN.family(family).component(size))
    assert np.abs(made.body.at(made.seat_points)).max() < 0.05
    assert made.body.at(made.seat_points + 0.6 * made.seat_normals).min() > 0.2
    assert made.body.at(made.seat_points - 0.6 * made.seat_normals).max() < -0.2
    assert made.seat_areas_mm2.std() / made.seat_areas_mm2.mean() < 0.1
    halves = made.seat_areas_mm2[made.seat_points[:, 1] > 0].sum() / made.seat_areas_mm2.sum()
    assert halves == approx(0.5, abs=0.01)


@pytest.mark.parametrize(("family", "size"), SOME)
def test_the_distance_to_a_body_agrees_with_an_independent_library(family, size):
    made = solid(OWN.family(family).component(size))
    rng = np.random.default_rng(2)
    low, high = made.mesh.vertices.min(axis=0) - 3.5, made.mesh.vertices.max(axis=0) + 3.5
    points = rng.uniform(low, high, (700, 3))
    near = made.mesh.vertices[rng.choice(len(made.mesh.vertices), 300)] + rng.normal(0, 1.0, (300, 3))
    points = np.vstack([points, near])
    mesh = trimesh.Trimesh(made.mesh.vertices, made.mesh.faces, process=False)
    truth = -trimesh.proximity.signed_distance(mesh, points)
    error = np.abs(made.body.at(points) - truth)
    assert np.percentile(error, 95) < 0.06
    # The rest: kinks of the distance, along edges, the middle of thin walls and the inside of the bend.
    _, gradient = made.body.with_gradient(points)
    smooth = np.linalg.norm(gradient, axis=1) > 0.9
    assert smooth.mean() > 0.95
    assert error[smooth].max() < 0.12
    assert error.max() < 0.25


def silhouette(mesh, first):
    """Outline of a body seen along x or y, by an independent library: (the other level axis, z)."""
    turned = np.column_stack([mesh.vertices[:, first], mesh.vertices[:, 2], mesh.vertices[:, 1 - first]])
    faces = mesh.faces[:, ::-1] if first == 0 else mesh.faces
    body = manifold3d.Manifold(manifold3d.Mesh64(turned, faces.astype(np.uint64)))
    return np.array(max(body.project().to_polygons(), key=len))


def gap(one, other, keep):
    """Largest distance between two closed outlines, both ways, of the points kept; mm."""
    found = 0.0
    for a, b in ((one, other), (other, one)):
        dense = resampled(np.vstack([a, a[:1]]), 0.5)
        found = max(found, float(distance_to_polyline(dense[keep(dense)], b, closed=True).max()))
    return found


@pytest.mark.parametrize(("family", "size"), SOME[1:])
def test_the_silhouette_of_what_is_carved_is_the_outline_of_the_ap_film(family, size):
    component = OWN.family(family).component(size)
    seen = silhouette(solid(component).carved_mesh, 0)
    # The film's outline ends at the cut; the overrun of the reamer is told beside it.
    assert gap(seen, component.ap.body_mm, lambda p: p[:, 1] < -1.0) < 0.3 + 0.7 * component.reamer_overrun_mm


@pytest.mark.parametrize(("family", "size"), SOME[1:])
def test_the_silhouette_from_the_side_is_the_lateral_outline_but_for_the_tip_of_a_bent_part(family, size):
    component = OWN.family(family).component(size)
    seen = silhouette(solid(component).carved_mesh, 1)
    outline = component.lateral.body_mm
    bent = component.parameters["bend_deg"] > 0.0
    half = 0.5 * component.parameters["tail_tip_width_mm"]
    # Sections of a bent part are tilted to this film: at the tip they reach deeper than its line does.
    last = outline[:, 1].min() + (2.0 * half + 1.0 if bent else -1.0)
    keep = lambda p: (p[:, 1] < -1.0) & (p[:, 1] > last)  # noqa: E731
    assert gap(seen, outline, keep) < 0.3 + 0.7 * component.reamer_overrun_mm
    assert seen[:, 1].min() > outline[:, 1].min() - (half if bent else 0.05)


def test_a_cap_cut_through_its_axis_shows_the_outline_of_the_films():
    component = OWN.family("surface-cap").component("4")
    # A hair off the plane of the mesh's own vertices.
    (ring,) = solid(component).mesh.section([0.0, 1e-6, 0.0], [0.0, 1.0, 0.0])
    assert gap(ring[:-1, [0, 2]], component.ap.body_mm, lambda p: p[:, 1] < np.inf) < 0.02


@pytest.mark.parametrize(("family", "size"), SOME[1:])
def test_the_body_of_a_lobed_part_stays_within_the_outline_and_comes_within_its_lobes_of_it(family, size):
    component = OWN.family(family).component(size)
    seen = silhouette(solid(component).mesh, 0)
    assert gap(seen, component.ap.body_mm, lambda p: p[:, 1] < -1.0) < component.parameters["tail_lobe_depth_mm"] + 0.1


@pytest.mark.parametrize(("family", "size"), SOME[1:])
def test_a_seated_body_lies_within_what_is_carved_for_it(family, size):
    made = solid(OWN.family(family).component(size))
    assert made.carved.at(made.mesh.vertices).max() < 0.12  # the error of the look-up at the tip's edge
    assert made.carved_mesh.volume_mm3 > made.volume_mm3
    assert made.carved.at([[0.0, 0.0, 2.0]])[0] < 0.0  # open above the cut


def test_the_reamer_runs_past_the_seat_by_its_overrun():
    narrow = {**CONE, "tail_top_width_mm": 8.0, "tail_tip_width_mm": 8.0}
    plain, over = solid(part(**narrow)), solid(part(**narrow, reamer_overrun_mm=3.0))
    # The cone carried on from 7 mm by its own slope, less the tail and the shoulder that stood there.
    more = over.carved_mesh.volume_mm3 - plain.carved_mesh.volume_mm3
    cone = frustum(7.0, 7.0 - 3.0 * 0.25, 3.0)
    stood = frustum(7.0, 4.0, 1.0) + np.pi * 16.0 * 2.0
    assert more == approx(cone - stood, rel=0.01)
    assert over.volume_mm3 == approx(plain.volume_mm3)


def test_a_cap_carves_a_tube_outside_its_seat_and_leaves_the_bone_within():
    component = OWN.family("surface-cap").component("4")
    p, made = component.parameters, solid(component)
    mouth = p["mouth_height_mm"] - p["seat_top_height_mm"]
    beside = 0.5 * p["mouth_width_mm"]
    inside_seat, in_wall = [beside - 1.5, 0.0, mouth + 1.0], [beside + 1.0, 0.0, mouth + 1.0]
    below_mouth, past_overrun = [beside + 1.0, 0.0, mouth - 1.0], [beside + 1.0, 0.0, mouth - 3.0]
    pin, above = [0.0, 0.0, -20.0], [0.0, 5.0, 1.0]
    at = made.carved.at([inside_seat, in_wall, below_mouth, past_overrun, pin, above])
    assert list(at < 0) == [False, True, True, False, True, True]
    assert at[3] == approx(1.0, abs=0.05)  # the overrun is 2 mm


def test_a_caps_seat_faces_the_bone_under_it():
    made = solid(OWN.family("surface-cap").component("4"))
    flat = np.abs(made.seat_points[:, 2]) < 1e-6
    assert 0.05 < made.seat_areas_mm2[flat].sum() / made.seat_areas_mm2.sum() < 0.5
    assert made.seat_normals[flat] == approx(np.tile([0, 0, -1.0], (flat.sum(), 1)))
    toward = -np.einsum("ij,ij->i", made.seat_normals[~flat][:, :2], made.seat_points[~flat][:, :2])
    assert (toward > 0).all()


def test_only_the_pin_of_a_cap_below_its_mouth_needs_a_wall():
    component = OWN.family("surface-cap").component("4")
    made, p = solid(component), component.parameters
    mouth = p["mouth_height_mm"] - p["seat_top_height_mm"]
    assert made.tail_points[:, 2].max() < mouth
    assert made.tail_points[:, 2].min() == approx(-p["pin_length_mm"], abs=0.1)
    assert np.abs(made.buried.at(made.tail_points)).max() < 0.15
    assert made.buried.at([[12.0, 0.0, -p["pin_length_mm"] + 5.0]])[0] > 8.0


def test_tail_points_lie_on_what_is_carved_below_the_seat():
    made = solid(OWN.family("standard-stem").component("5"))
    assert np.abs(made.carved.at(made.tail_points)).max() < 0.15
    assert made.tail_points[:, 2].max() < made.seat_points[:, 2].max()
    deepest = made.carved_mesh.vertices[:, 2].min()
    assert made.tail_points[:, 2].min() == approx(deepest, abs=1.5)


def test_the_reamed_rim_is_the_lower_edge_of_the_seat_and_runs_on_as_the_films_say():
    component = OWN.family("mid-head-bowl").component("5")
    made = solid(component)
    medial = int(np.argmax(made.rim_points[:, 0]))
    assert made.rim_points[medial, [0, 2]] == approx(component.ap.reamed_mm[1], abs=1e-6)
    assert made.rim_ways[medial, [0, 2]] == approx(component.ap.reamed_direction[1], abs=1e-6)


def test_a_part_is_even_front_to_back():
    for family, size in SOME:
        made = solid(OWN.family(family).component(size))
        points = made.seat_points
        assert made.body.at(points * [1, -1, 1]) == approx(made.body.at(points), abs=0.02)


def test_the_same_part_from_two_catalogues_is_built_once():
    again = Catalogue.load().family("mid-head-bowl").component("3")
    assert solid(OWN.family("mid-head-bowl").component("3")) is solid(again)
    assert solid(OWN.family("mid-head-bowl").component("2")) is not solid(again)


DRAWN = "outline_ap_mm = [[-13, 0], [13, 0], [9, -15], [4, -17], [4, -45], [-4, -45], [-4, -17], [-9, -15]]\n"
SEAT = "seat_ap_mm = [[[-13, 0], [-9, -15]], [[13, 0], [9, -15]]]\n"


def test_a_drawn_outline_becomes_level_sections():
    made = solid(part(HEAD + DRAWN + SEAT))
    round_ = frustum(13, 9, 15) + frustum(9, 4, 2) + frustum(4, 4, 28)
    assert made.volume_mm3 == approx(round_ * np.sinc(2 / 96), rel=1e-3)
    assert made.seat_areas_mm2.sum() == approx(np.pi * 22 * np.hypot(15, 4), rel=2e-3)


def test_a_drawn_outline_with_another_view_becomes_ellipses():
    side = DRAWN.replace("outline_ap_mm", "outline_lateral_mm").replace("13", "6.5").replace("[9,", "[4.5,")
    side = side.replace("[-9,", "[-4.5,").replace(
        "[4, -17], [4, -45], [-4, -45], [-4, -17]", "[2, -17], [2, -45], [-2, -45], [-2, -17]"
    )
    seat = (
        SEAT.replace("seat_ap_mm", "seat_lateral_mm")
        .replace("13", "6.5")
        .replace("[9,", "[4.5,")
        .replace("[-9,", "[-4.5,")
    )
    round_ = solid(part(HEAD + DRAWN + SEAT))
    assert solid(part(HEAD + DRAWN + SEAT + side + seat)).volume_mm3 == approx(0.5 * round_.volume_mm3, rel=1e-3)


def test_an_outline_with_a_hook_has_no_body():
    hooked = "outline_ap_mm = [[-13, 0], [13, 0], [13, -40], [8, -40], [8, -20], [-8, -20], [-8, -40], [-13, -40]]\n"
    seat = "seat_ap_mm = [[[-13, 0], [-13, -15]], [[13, 0], [13, -15]]]\n"
    with pytest.raises(CatalogueError, match=r"Size “a” of “test-part”: .*hook or a hole.*solid_file"):
        solid(part(HEAD + hooked + seat))


def test_a_drawn_cap_is_turned_when_both_sides_agree_and_refused_when_not():
    text = HEAD.replace('kind = "seated"', 'kind = "cap"').replace(
        "head_height_mm = 5.0\nneck_diameter_mm = 20.0", "head_diameter_mm = 46.0"
    )
    text = text.replace('"mid_head"', '"head_surface"').replace("head_diameters_mm = [46.0]\n", "")
    body = "[[-23, -16], [-16, 0], [0, 8], [16, 0], [23, -16], [19, -16], [13, 0], [3, 0], [3, -40],"
    body += " [-3, -40], [-3, 0], [-13, 0], [-19, -16]]"
    seat = "seat_ap_mm = [[[-19, -16], [-13, 0]], [[13, 0], [19, -16]]]\n"
    seat += "pin_ap_mm = [[3, -16], [3, -40], [-3, -40], [-3, -16]]\n"
    made = solid(part(text + f"outline_ap_mm = {body}\n" + seat))
    shell = frustum(0, 16, 8) + frustum(16, 23, 16) - frustum(13, 19, 16) + np.pi * 9 * 40
    assert made.volume_mm3 == approx(shell, rel=3e-3)
    with pytest.raises(CatalogueError, match="two sides of this cap's outline differ by"):
        solid(part(text + f"outline_ap_mm = {body.replace('[23, -16]', '[25, -16]')}\n" + seat))


def test_the_head_ball_sits_at_the_neck_length_and_ends_above_the_cut():
    component = OWN.family("standard-stem").component("5")
    for neck in component.neck_lengths_mm:
        mesh = head_mesh(component, 34.0, neck)
        centre = component.head_centre_mm(neck)[1]
        assert mesh.is_closed
        assert mesh.vertices[:, 2].max() == approx(centre + 17.0)
        assert np.abs(mesh.vertices[:, 0]).max() == approx(17.0, abs=0.1)
    low = head_mesh(OWN.family("mid-head-bowl").component("5"), 51.0, -2.0)
    assert low.vertices[:, 2].min() == approx(0.0)  # its neck ends on the cut
    assert head_mesh(OWN.family("surface-cap").component("3"), 43.5, 0.0) is None


def test_a_cup_is_a_shell_open_by_its_arc():
    half = cup_mesh(OWN.cup("lined-cup", "5"))  # 53 mm outside, bearing 38 mm, 180 degrees
    assert half.is_closed
    assert half.volume_mm3 == approx(2 / 3 * np.pi * (26.5**3 - 19.0**3), rel=5e-3)
    less = cup_mesh(OWN.cup("large-head-cup", "4"))  # bearing 46 mm, 164 degrees
    assert less.vertices[:, 2].max() == approx(-23.0 * np.cos(np.radians(82.0)), abs=1e-6)
