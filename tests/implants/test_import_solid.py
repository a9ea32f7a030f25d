"""Parts that a hospital brings as STL or STEP: what is read, what follows from it, what is refused and how."""

import numpy as np
import pytest
import trimesh

from headstock.errors import CatalogueError
from headstock.geometry.polygon import area_mm2, distance_to_polyline
from headstock.implants import Catalogue
from headstock.implants.import_solid import inside_folder, read_solid
from headstock.implants.solid import solid

approx = pytest.approx
OWN = Catalogue.load()
FAMILY = """
schema = 1
id = "brought"
name = "Brought as a solid"
kind = "seated"
level = "high_neck"
impinges_on = "component"
canal = "opened"
made_by = "invented for this test"
seat_wall_aim_mm = 4.0
head_diameters_mm = [34.0]
[[sizes]]
id = "a"
nominal_mm = 20.0
solid_file = "{file}"
solid_unit = "mm"
seat_depth_mm = 12.0
head_height_mm = 20.0
neck_diameter_mm = 13.0
"""
# A block that narrows downward, not even in x: corners at the cut and 30 mm below it.
TOP = [(-13, -10, 0), (13, -10, 0), (13, 10, 0), (-13, 10, 0)]
LOW = [(-6, -4, -30), (9, -4, -30), (9, 4, -30), (-6, 4, -30)]
CORNERS = np.array(TOP + LOW, float)
SIDES = [(0, 1, 2, 3), (7, 6, 5, 4), (0, 4, 5, 1), (1, 5, 6, 2), (2, 6, 7, 3), (3, 7, 4, 0)]
TRIANGLES = np.array([t for a, b, c, d in SIDES for t in ((a, b, c), (a, c, d))])
# Section at height z: sides linear in z, so area quadratic: Simpson's rule is exact.
VOLUME = 30.0 / 6.0 * (26 * 20 + 4 * 20.5 * 14 + 15 * 8)


def step_text(vertices, faces, unit=".MILLI."):
    """A solid of flat faces as a STEP file (ISO 10303-21, AP214)."""
    lines = []

    def add(text):
        lines.append(text)
        return f"#{len(lines)}"

    def numbers(kind, values):
        return add(f"{kind}('',({','.join(f'{v:.9f}' for v in values)}))")

    def place(at, z, x):
        at, z, x = numbers("CARTESIAN_POINT", at), numbers("DIRECTION", z), numbers("DIRECTION", x)
        return add(f"AXIS2_PLACEMENT_3D('',{at},{z},{x})")

    corners = [add(f"VERTEX_POINT('',{numbers('CARTESIAN_POINT', v)})") for v in vertices]
    edges, shell = {}, []
    for face in faces:
        loop = []
        for a, b in zip(face, (*face[1:], face[0]), strict=True):
            low, high = min(a, b), max(a, b)
            if (low, high) not in edges:
                way = vertices[high] - vertices[low]
                vector = add(f"VECTOR('',{numbers('DIRECTION', way / np.linalg.norm(way))},{np.linalg.norm(way):.9f})")
                line = add(f"LINE('',{numbers('CARTESIAN_POINT', vertices[low])},{vector})")
                edges[low, high] = add(f"EDGE_CURVE('',{corners[low]},{corners[high]},{line},.T.)")
            loop.append(add(f"ORIENTED_EDGE('',*,*,{edges[low, high]},{'.T.' if a < b else '.F.'})"))
        u, v = vertices[face[1]] - vertices[face[0]], vertices[face[2]] - vertices[face[1]]
        normal = np.cross(u, v)
        plane = add(f"PLANE('',{place(vertices[face[0]], normal / np.linalg.norm(normal), u / np.linalg.norm(u))})")
        ring = add(f"EDGE_LOOP('',({','.join(loop)}))")
        bound = add(f"FACE_OUTER_BOUND('',{ring},.T.)")
        shell.append(add(f"ADVANCED_FACE('',({bound}),{plane},.T.)"))
    closed = add(f"CLOSED_SHELL('',({','.join(shell)}))")
    body = add(f"MANIFOLD_SOLID_BREP('part',{closed})")
    length = add(f"(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT({unit},.METRE.))")
    angle = add("(NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.))")
    solid_angle = add("(NAMED_UNIT(*) SI_UNIT($,.STERADIAN.) SOLID_ANGLE_UNIT())")
    known = add(f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-06),{length},'distance_accuracy_value','')")
    context = add(
        f"(GEOMETRIC_REPRESENTATION_CONTEXT(3) GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT(({known})) "
        f"GLOBAL_UNIT_ASSIGNED_CONTEXT(({length},{angle},{solid_angle})) REPRESENTATION_CONTEXT('',''))"
    )
    frame = place([0, 0, 0], [0, 0, 1], [1, 0, 0])
    shape = add(f"ADVANCED_BREP_SHAPE_REPRESENTATION('',({frame},{body}),{context})")
    application = add("APPLICATION_CONTEXT('automotive_design')")
    add(f"APPLICATION_PROTOCOL_DEFINITION('international standard','automotive_design',2000,{application})")
    product_context = add(f"PRODUCT_CONTEXT('',{application},'mechanical')")
    product = add(f"PRODUCT('part','part','',({product_context}))")
    formation = add(f"PRODUCT_DEFINITION_FORMATION('','',{product})")
    definition_context = add(f"PRODUCT_DEFINITION_CONTEXT('part definition',{application},'design')")
    definition = add(f"PRODUCT_DEFINITION('design','',{formation},{definition_context})")
    whole = add(f"PRODUCT_DEFINITION_SHAPE('','',{definition})")
    add(f"SHAPE_DEFINITION_REPRESENTATION({whole},{shape})")
    data = "\n".join(f"#{i + 1}={line};" for i, line in enumerate(lines))
    return (
        "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('part','2026-01-01T00:00:00',(''),(''),'','','');\n"
        f"FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\nDATA;\n{data}\nENDSEC;\nEND-ISO-10303-21;\n"
    )


def stl(vertices=CORNERS, faces=TRIANGLES, kind="stl"):
    return trimesh.Trimesh(vertices, faces, process=False).export(file_type=kind)


def moved(*by):
    return CORNERS + np.array(by, float)


def catalogue(folder, file, data, text=FAMILY):
    (folder / file).parent.mkdir(exist_ok=True, parents=True)
    (folder / file).write_bytes(data if isinstance(data, bytes) else data.encode())
    (folder / "brought.toml").write_text(text.replace("{file}", file), encoding="utf-8")
    return Catalogue.load([folder], own=False)


def brought(folder, file="a.stl", data=None, text=FAMILY):
    return catalogue(folder, file, stl() if data is None else data, text).family("brought").component("a")


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_a_solid_in_stl_is_read_as_it_is(tmp_path, kind):
    made = solid(brought(tmp_path, data=stl(kind=kind)))
    assert made.volume_mm3 == approx(VOLUME, rel=1e-6)
    assert made.mesh.vertices.min(axis=0) == approx([-13, -10, -30])


@pytest.mark.parametrize(("unit", "scale"), [(".MILLI.", 1.0), ("$", 1e-3)])
def test_a_solid_in_step_is_read_in_the_unit_it_says(tmp_path, unit, scale):
    made = solid(brought(tmp_path, "a.step", step_text(CORNERS * scale, SIDES, unit)))
    assert made.volume_mm3 == approx(VOLUME, rel=1e-6)
    assert made.mesh.vertices.max(axis=0) == approx([13, 10, 0])
    assert made.mesh.vertices.min(axis=0) == approx([-13, -10, -30])


def test_films_see_the_silhouettes_of_the_solid(tmp_path):
    component = brought(tmp_path)
    assert area_mm2(component.ap.body_mm) == approx(30 * (26 + 15) / 2, rel=1e-4)
    assert area_mm2(component.lateral.body_mm) == approx(30 * (20 + 8) / 2, rel=1e-4)
    # x medial and y anterior keep their side: the AP outline reaches to +9 and -6 at the bottom.
    low = component.ap.body_mm[component.ap.body_mm[:, 1] < -29.9]
    assert [low[:, 0].min(), low[:, 0].max()] == approx([-6.0, 9.0], abs=0.05)
    assert component.lowest_seat_mm == approx(12.0, abs=0.5)
    assert component.tail_tip_mm[1] == approx(-30.0)


def test_the_seat_is_the_surface_from_the_cut_down_to_its_depth(tmp_path):
    made = solid(brought(tmp_path))
    # Four trapezoids of 12 mm height: widths at 0 and 12 mm, slant from how far each side comes in.
    wide, deep = 26 - 11 * 12 / 30, 20 - 12 * 12 / 30
    left, right, front = 7 * 12 / 30, 4 * 12 / 30, 6 * 12 / 30
    area = (20 + deep) / 2 * (np.hypot(12, left) + np.hypot(12, right)) + (26 + wide) * np.hypot(12, front)
    assert made.seat_areas_mm2.sum() == approx(area, rel=0.01)
    assert made.seat_points[:, 2].max() < 0.0
    assert made.seat_points[:, 2].min() >= -12.0
    assert made.body.at(made.seat_points + 0.5 * made.seat_normals).min() > 0.1
    assert made.tail_points[:, 2].max() < -12.0


def test_what_is_carved_is_the_solid_below_the_cut_open_above_it(tmp_path):
    made = solid(brought(tmp_path))
    over = solid(brought(tmp_path, text=FAMILY + "reamer_overrun_mm = 2.0\n"))
    assert made.carved_mesh.is_closed
    assert made.carved_mesh.volume_mm3 == approx(VOLUME + 26 * 20 * 5.0, rel=1e-3)
    assert over.carved_mesh.volume_mm3 > made.carved_mesh.volume_mm3 + 5.0
    assert made.carved.at([[0.0, 0.0, 3.0]])[0] < 0.0


def test_an_own_family_given_back_as_stl_is_the_same_part(tmp_path):
    component = OWN.family("mid-head-bowl").component("4")
    first = solid(component)
    text = FAMILY.replace("seat_depth_mm = 12.0", f"seat_depth_mm = {component.lowest_seat_mm}")
    again_component = brought(tmp_path, data=stl(first.mesh.vertices, first.mesh.faces), text=text)
    again = solid(again_component)
    assert again.volume_mm3 == approx(first.volume_mm3, rel=1e-5)
    assert again.seat_areas_mm2.sum() == approx(first.seat_areas_mm2.sum(), rel=0.02)
    gap = distance_to_polyline(again_component.ap.body_mm, component.ap.body_mm, closed=True)
    # Between its lobes the body is narrower than the film's outline, which is drawn around them.
    assert gap.max() < component.parameters["tail_lobe_depth_mm"] + 0.05


def test_a_solid_may_lie_in_a_folder_within(tmp_path):
    assert solid(brought(tmp_path, "ours/a.stl")).volume_mm3 == approx(VOLUME, rel=1e-6)


def test_faces_turned_inward_are_turned_out(tmp_path):
    assert solid(brought(tmp_path, data=stl(faces=TRIANGLES[:, ::-1]))).volume_mm3 == approx(VOLUME, rel=1e-6)


@pytest.mark.parametrize(
    ("words", "data"),
    [
        ("not closed", lambda: stl(faces=TRIANGLES[1:])),
        ("not closed", lambda: stl(faces=np.vstack([TRIANGLES, TRIANGLES[:1]]))),
        (r"measures 0\.026 x 0\.02 x 0\.03 .*in mm", lambda: stl(CORNERS / 1000)),
        (r"measures 2\.6 x 2 x 3 ", lambda: stl(CORNERS / 10)),
        ("no femoral part", lambda: stl(CORNERS * 25.4)),
        ("lies above the cut", lambda: stl(moved(0, 0, 40))),
        (r"begins 9\.0 mm below", lambda: stl(moved(0, 0, -9))),
        ("does not stand about its axis", lambda: stl(moved(60, 0, 0))),
        (
            "2 separate bodies",
            lambda: stl(np.vstack([CORNERS, moved(60, 0, 0)]), np.vstack([TRIANGLES, TRIANGLES + 8])),
        ),
        ("cannot be read as STL|no surface", lambda: b"solid nothing at all"),
        ("cannot be read as STL|no surface", lambda: b""),
        ("cannot be read as STL|no surface|not closed|none", lambda: stl()[:200]),
    ],
)
def test_a_solid_that_does_not_fit_is_refused_with_what_was_found(tmp_path, words, data):
    with pytest.raises(CatalogueError, match=words) as refusal:
        brought(tmp_path, data=data())
    assert "brought.toml, size 'a'" in str(refusal.value)
    assert str(tmp_path) not in str(refusal.value)


@pytest.mark.parametrize(
    "data", [b"", b"not a STEP file", b"ISO-10303-21;\nDATA;\n#1=NOTHING();\nENDSEC;\nEND-ISO-10303-21;\n"]
)
def test_a_damaged_step_file_is_refused(tmp_path, data):
    with pytest.raises(CatalogueError, match=r"cannot be read as STEP|no surface"):
        brought(tmp_path, "a.step", data)


def test_numbers_that_are_none_are_refused():
    corners = CORNERS.copy()
    corners[3, 1] = np.nan
    with pytest.raises(CatalogueError, match="numbers that are none"):
        read_solid("a.stl", stl(corners))


@pytest.mark.parametrize("name", ["../a.stl", "/etc/a.stl", "x/../../a.stl", "C:\\a.stl", "..\\a.stl"])
def test_a_file_outside_the_familys_folder_is_never_opened(tmp_path, name):
    (tmp_path / "in").mkdir()
    (tmp_path / "a.stl").write_bytes(stl())
    with pytest.raises(CatalogueError, match="leads out"):
        inside_folder(tmp_path / "in", name)


def test_a_link_out_of_the_folder_is_not_followed(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "a.stl").write_bytes(stl())
    (tmp_path / "in" / "a.stl").symlink_to(tmp_path / "a.stl")
    with pytest.raises(CatalogueError, match="leads out"):
        inside_folder(tmp_path / "in", "a.stl")


def test_other_kinds_missing_files_and_files_too_large_are_refused(tmp_path, monkeypatch):
    (tmp_path / "a.obj").write_text("")
    with pytest.raises(CatalogueError, match=r"not one of \.stl"):
        inside_folder(tmp_path, "a.obj")
    with pytest.raises(CatalogueError, match="is not in the family's folder"):
        inside_folder(tmp_path, "a.stl")
    (tmp_path / "a.stl").write_bytes(stl())
    monkeypatch.setattr("headstock.implants.import_solid.LARGEST_BYTES", 100)
    with pytest.raises(CatalogueError, match="fewer faces"):
        inside_folder(tmp_path, "a.stl")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('solid_unit = "mm"', 'solid_unit = "inch"'), "export the solid in millimetres"),
        (('solid_unit = "mm"\n', ""), "does not say its unit"),
        (
            ('solid_file = "{file}"', "outline_ap_mm = [[-9, 0], [9, 0], [5, -30], [-5, -30]]"),
            "solid_unit is given without",
        ),
        (("seat_depth_mm = 12.0\n", ""), "seat_depth_mm .* is missing"),
        (("seat_depth_mm = 12.0", "seat_depth_mm = 12.0\ntail_length_mm = 30.0"), "tail_length_mm cannot stand beside"),
        (('kind = "seated"', 'kind = "cap"'), "not part of the schema|seated part only"),
        (("head_height_mm = 20.0\n", ""), "head_height_mm .* is missing"),
    ],
)
def test_what_must_be_said_beside_a_solid_file(tmp_path, change, words):
    with pytest.raises(CatalogueError, match=words):
        brought(tmp_path, text=FAMILY.replace(*change))


def test_a_solid_and_an_outline_together_are_refused(tmp_path):
    outline = "outline_ap_mm = [[-13, 0], [13, 0], [9, -30], [-6, -30]]\n"
    with pytest.raises(CatalogueError, match="which one is the part"):
        brought(tmp_path, text=FAMILY + outline)


def test_a_family_that_is_only_text_has_no_folder_to_look_in():
    with pytest.raises(CatalogueError, match="not read from a folder"):
        Catalogue.from_texts({"a.toml": FAMILY.replace("{file}", "a.stl")})
