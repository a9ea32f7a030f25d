"""Scans of the research format, real scans, public files, and metal."""

import gzip
import re
import struct
from contextlib import suppress
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.errors import AmbiguousError, FrameError, ImageError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.nifti import is_nifti, modality_of_name, read_nifti
from headstock.images.scan import Scan, ScanHeader
from headstock.images.scan_metal import HIP_RADIUS_MM, find_metal, metal_findings
from headstock.images.scan_read import open_scans, scan_of_files

REAL = Path(__file__).parents[1] / "data" / "real-ct"
WITH_METAL = REAL / "pelvis_with_metal_3mm.nii.gz"


def nifti(values, affine, *, code=4, kind="<i2", sform=1, qform=0, quaternion=(0, 0, 0, 0, 0, 0), pixdim=None, units=2,
          slope=1.0, intercept=0.0, dim=None):  # fmt: skip
    """Bytes of a NIfTI-1 file of values (slices, rows, columns) with a RAS affine (3, 4)."""
    order = kind[0]
    head = bytearray(352)
    struct.pack_into(order + "i", head, 0, 348)
    struct.pack_into(order + "8h", head, 40, *(dim or (3, *values.shape[::-1], 1, 1, 1, 1)))
    struct.pack_into(order + "2h", head, 70, code, np.dtype(kind).itemsize * 8)
    steps = np.linalg.norm(np.asarray(affine, float)[:, :3], axis=0)
    struct.pack_into(order + "8f", head, 76, *(pixdim or (1, *steps, 0, 0, 0, 0)))
    struct.pack_into(order + "3f", head, 108, 352.0, slope, intercept)
    head[123] = units
    struct.pack_into(order + "2h", head, 252, qform, sform)
    struct.pack_into(order + "6f", head, 256, *quaternion)
    struct.pack_into(order + "12f", head, 280, *np.asarray(affine, float).ravel())
    head[344:348] = b"n+1\0"
    return bytes(head) + np.ascontiguousarray(values, kind).tobytes()


STRAIGHT = np.array([[1.5, 0, 0, -20], [0, 1.5, 0, -30], [0, 0, 2, 5.0]])


@pytest.fixture
def values():
    return np.random.default_rng(2).integers(-1000, 2000, (9, 8, 7)).astype(np.int16)


def test_the_real_scan_is_the_right_way_round_and_its_metal_is_on_the_left():
    scan = read_nifti(WITH_METAL)
    # Its own axes run to the right and to the front.
    assert scan.grid.axes == pytest.approx(np.diag([-1.0, -1.0, 1.0]))
    assert scan.modality == "CT"
    metal = find_metal(scan)
    (part,) = metal.parts
    assert part.side is Side.LEFT
    assert part.centre_lps_mm[0] > 0
    assert 5.0 < metal.volume_cm3 < 20.0
    assert [f.weight for f in metal_findings(metal, scan)] == ["refuse"]
    codes = [(f.code, f.weight) for f in scan.findings]
    assert ("coarse_step", "warn") in codes  # 3 mm: above 1.5, not above 3
    # Soft tissue lies behind the spine's canal, not before it: the table side is posterior, +y.
    body = np.argwhere(scan.values > 200)[:, ::-1]
    assert np.ptp(scan.grid.points(body)[:, 0]) > 250


def test_simpleitk_places_the_real_scan_alike():
    import SimpleITK

    scan = read_nifti(WITH_METAL)
    image = SimpleITK.ReadImage(str(WITH_METAL))
    theirs = SimpleITK.GetArrayFromImage(image)
    for index in ((0, 0, 0), (30, 40, 50), (121, 100, 111)):
        point = scan.grid.points(index)
        i, j, k = image.TransformPhysicalPointToIndex([float(v) for v in point])
        assert theirs[k, j, i] == scan.values[index[::-1]]


AFFINES = {
    "straight": STRAIGHT,
    "mirrored": STRAIGHT * np.array([[-1], [1], [1]]),
    "upside down": np.array([[0, 0, -2, 4], [1.5, 0, 0, 1], [0, -1.2, 0, 9.0]]),
    "two axes turned": np.array([[-1.5, 0, 0, 7], [0, -1.5, 0, 8], [0, 0, 2, 9.0]]),
}


@pytest.mark.parametrize("name", AFFINES)
@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("kind", ["<i2", ">i2", "<f4", "<f8", "<i4"])
def test_any_affine_gives_the_same_patient_as_simpleitk(name, packed, kind, values, tmp_path):
    import SimpleITK

    code = {"i2": 4, "f4": 16, "f8": 64, "i4": 8}[kind[1:]]
    data = nifti(values, AFFINES[name], kind=kind, code=code)
    path = tmp_path / ("a.nii.gz" if packed else "a.nii")
    path.write_bytes(gzip.compress(data) if packed else data)
    scan = read_nifti(path)
    assert np.linalg.det(scan.grid.axes) == pytest.approx(1.0)
    image = SimpleITK.ReadImage(str(path))
    theirs = SimpleITK.GetArrayFromImage(image)
    for s, r, c in np.ndindex(scan.grid.shape):
        if (s + r + c) % 7:
            continue
        i, j, k = image.TransformPhysicalPointToIndex([float(v) for v in scan.grid.points([c, r, s])])
        assert theirs[k, j, i] == scan.values[s, r, c]


@settings(max_examples=40, deadline=None)
@given(
    q=st.tuples(*[st.floats(-1, 1) for _ in range(4)]).filter(lambda v: sum(x * x for x in v) > 0.1),
    flipped=st.booleans(),
)
def test_the_quaternion_form_is_read_as_simpleitk_reads_it(q, flipped, tmp_path_factory):
    import SimpleITK

    q = np.array(q) / np.linalg.norm(q) * (1 if q[0] >= 0 else -1)
    values = np.arange(4 * 5 * 6).reshape(4, 5, 6) - 1000
    data = nifti(
        values,
        np.zeros((3, 4)),
        sform=0,
        qform=1,
        quaternion=(*q[1:], 3.0, 4.0, 5.0),
        pixdim=(-1 if flipped else 1, 1.5, 1.6, 1.7, 0, 0, 0, 0),
    )
    path = tmp_path_factory.mktemp("q") / "a.nii"
    path.write_bytes(data)
    scan = read_nifti(path)
    image = SimpleITK.ReadImage(str(path))
    theirs = SimpleITK.GetArrayFromImage(image)
    for s, r, c in ((0, 0, 0), (3, 4, 5), (1, 2, 3)):
        at = image.TransformPhysicalPointToContinuousIndex([float(v) for v in scan.grid.points([c, r, s])])
        i, j, k = np.round(at).astype(int)
        assert at == pytest.approx((i, j, k), abs=2e-3)
        assert theirs[k, j, i] == scan.values[s, r, c]


def test_a_scale_in_the_header_is_applied(values):
    scan = read_nifti(nifti(values, STRAIGHT, slope=2.0, intercept=-10.0), modality="CT")
    assert np.array_equal(scan.values, values * 2 - 10)
    assert scan.values.dtype == np.int16
    assert read_nifti(nifti(values, STRAIGHT, slope=0.3), modality="CT").values.dtype == np.float32


def told(scan):
    """How the modality is known: (modality, code, weight)."""
    ((code, weight),) = [(f.code, f.weight) for f in scan.findings if f.code.startswith("modality")]
    return scan.modality, code, weight


def bone_without_air():
    """HU of a crop inside a hip: marrow, muscle, cancellous and cortical bone."""
    return np.random.default_rng(3).choice([-90, -20, 50, 300, 1300], (9, 8, 7)).astype(np.int16)


# Numbers that are no proof of either: HU without air, HU moved up by 1024, an MR, its phase (which passes through -1000
# on its way), a picture scaled to a byte.
UNTOLD = {
    "a crop of a CT": bone_without_air(),
    "a CT counted from zero": bone_without_air() + 1024,
    "an MR": np.random.default_rng(4).integers(0, 900, (9, 8, 7)),
    "the phase of an MR": np.random.default_rng(5).integers(-4096, 4096, (9, 8, 7)),
    "grey from 0 to 255": np.random.default_rng(6).integers(0, 256, (9, 8, 7)),
}


@pytest.mark.parametrize("name", UNTOLD)
def test_a_volume_whose_numbers_do_not_tell_is_asked_about_never_guessed(name):
    data = nifti(UNTOLD[name].astype(np.int16), STRAIGHT)
    with pytest.raises(AmbiguousError, match=r"does not say whether it is CT or MR.*_CT or _MR.*--modality CT or"):
        read_nifti(data)
    assert told(read_nifti(data, modality="CT")) == ("CT", "modality_said", "warn")
    assert told(read_nifti(data, modality="MR")) == ("MR", "modality_said", "note")


@pytest.mark.parametrize("padding", [-1024, -2000, -3024, -32768])
def test_air_in_hounsfield_units_tells_a_ct_whatever_pads_it_and_the_finding_says_why(padding):
    hu = bone_without_air()
    hu[0] = np.random.default_rng(7).normal(-1000, 20, hu[0].shape)
    hu[:, 0, 0] = padding
    scan = read_nifti(nifti(hu, STRAIGHT))
    assert told(scan) == ("CT", "modality_by_values", "note")
    share = 100 * np.mean((hu > -1100) & (hu < -900))
    assert f"{share:.2g} % of its values are those of air" in " ".join(f.says for f in scan.findings)
    assert told(read_nifti(nifti(hu, STRAIGHT), modality="MR")) == ("MR", "modality_said", "warn")


@pytest.mark.parametrize(
    ("name", "modality"),
    [
        ("hip_CT.nii.gz", "CT"), ("a/b/hip-mr.nii", "MR"), ("left hip.CT.NII.GZ", "CT"), ("CT.nii", "CT"),
        ("mr_smith.nii.gz", None), ("fact.nii", None), ("hip.nii.gz", None), ("CT/hip.nii", None), ("x_MR.zip", None),
    ],
)  # fmt: skip
def test_a_file_says_what_it_is_by_the_end_of_its_name_alone(name, modality):
    assert modality_of_name(name) == modality


def test_files_of_a_folder_are_what_their_names_say_and_the_rest_is_asked_about(tmp_path):
    for name in ("hip_CT.nii", "hip_MR.nii", "hip.nii"):
        shift = len(name) + ord(name[4])  # three files of different content
        (tmp_path / name).write_bytes(nifti(bone_without_air() + shift, STRAIGHT))
    found = open_scans([tmp_path])
    assert sorted(scan.modality for scan in found.scans) == ["CT", "MR"]
    ((_, why),) = found.refused
    assert "Say which it is" in why
    assert [scan.modality for scan in open_scans([tmp_path], modality="MR").scans] == ["MR"] * 3


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"sform": 0}, "left and right are unknown"),
        ({"code": 128}, "colours or numbers of a kind"),
        ({"units": 1}, "metres"),
        ({"dim": (4, 7, 8, 9, 2, 1, 1, 1)}, "7 by 8 by 9 by 2"),
        ({"dim": (2, 7, 72, 1, 1, 1, 1, 1)}, "7 by 72"),
        ({"affine": STRAIGHT + np.array([[0, 0.4, 0, 0], [0, 0, 0, 0], [0, 0, 0, 0]])}, "not square"),
        ({"affine": STRAIGHT * np.nan}, "damaged"),
        ({"affine": STRAIGHT * 0}, "damaged"),
    ],
)
def test_a_volume_that_says_too_little_or_is_no_volume_is_refused(form, words, values):
    affine = form.pop("affine", STRAIGHT) if "affine" in form else STRAIGHT
    with pytest.raises(ImageError, match=words):
        read_nifti(nifti(values, affine, **form))


def test_two_statements_of_place_that_differ_are_said(values):
    data = nifti(values, STRAIGHT, qform=1, pixdim=(1, 1.5, 1.5, 2, 0, 0, 0, 0), quaternion=(0, 0, 0, -20, -30, 9))
    assert "two_orientations" in [f.code for f in read_nifti(data).findings]
    data = nifti(values, STRAIGHT, qform=1, pixdim=(1, 1.5, 1.5, 2, 0, 0, 0, 0), quaternion=(0, 0, 0, -20, -30, 5))
    assert "two_orientations" not in [f.code for f in read_nifti(data).findings]


def test_a_volume_cut_short_or_swollen_is_refused(values):
    data = nifti(values, STRAIGHT)
    for cut in (10, 347, 360, len(data) - 1):
        with pytest.raises(ImageError):
            read_nifti(data[:cut])
        with pytest.raises(ImageError):
            read_nifti(gzip.compress(data)[: cut // 2])
    huge = nifti(values, STRAIGHT, dim=(3, 30000, 30000, 30000, 1, 1, 1, 1))
    with pytest.raises(ImageError, match="would fill"):
        read_nifti(huge)


def test_a_volume_in_a_folder_is_found_by_its_content(values, tmp_path):
    (tmp_path / "volume").write_bytes(gzip.compress(nifti(values, STRAIGHT)))
    found = open_scans([tmp_path])
    assert len(found.scans) == 1
    assert np.array_equal(scan_of_files([tmp_path / "volume"]).values, found.scans[0].values)
    assert not is_nifti(tmp_path / "absent")
    assert not is_nifti(b"dear colleague")


# Public files


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("eCT_Supplemental.dcm", "scaled to “US”"),  # a map of blood flow, not Hounsfield units
        ("CT_small.dcm", "no two of them parallel"),
        ("MR_small.dcm", "no two of them parallel"),
        ("MR_truncated.dcm", "cut short"),
        ("emri_small_jpeg_2k_lossless_too_short.dcm", "but not where each lies"),
        ("emri_small.dcm", "10 pictures but not where each lies"),
        ("emri_small_RLE.dcm", "10 pictures but not where each lies"),
    ],
)
def test_public_files_that_are_no_volume_are_refused_for_the_right_reason(name, words, public_file):
    with pytest.raises(ImageError, match=words):
        scan_of_files([Path(public_file(name))])


def test_every_public_file_is_read_or_refused_in_words():
    import data_store

    roots = [Path(pydicom.__file__).parent / "data" / "test_files", Path(data_store.__file__).parent / "data"]
    found = [path for root in roots for path in sorted(root.rglob("*")) if path.is_file()]
    assert len(found) > 200
    for path in found:
        with suppress(ImageError):
            assert min(scan_of_files([path]).grid.shape) > 1


def test_public_series_in_a_folder_become_scans_or_refusals():
    root = Path(pydicom.__file__).parent / "data" / "test_files" / "dicomdirtests"
    found = open_scans([root])
    # By dcmdump: CT in two directions, five slices 2.5 mm apart in one; overviews; MR of one slice a direction.
    assert any(scan.modality == "CT" and scan.grid.shape == (5, 16, 16) for scan in found.scans)
    assert all(why.endswith((".", "apart")) for _, why in found.refused)


# Metal


def scan_of(values, spacing=(1.0, 1.0, 1.0), side=None):
    grid = Grid(np.array([-100.0, -80.0, 0.0]), np.eye(3), np.array(spacing), values.shape)
    return Scan(values.astype(np.int16), grid, "CT", ScanHeader(side=side))


def body(shape=(40, 120, 290)):
    """A body in air, wide enough to have a middle."""
    values = np.full(shape, -1000)
    values[:, 10:-10, 10:-10] = 40
    return values


def rod(values, centre, radius, hu=4000, slices=slice(None)):
    r, c = np.mgrid[: values.shape[1], : values.shape[2]]
    inside = np.hypot(r - centre[0], c - centre[1]) < radius
    values[slices][:, inside] = hu
    return inside


def test_a_rod_of_known_volume_is_found_with_its_side():
    values = body()
    inside = rod(values, (60, 220), 6.0, slices=slice(10, 30))
    metal = find_metal(scan_of(values))
    assert metal.volume_cm3 == pytest.approx(inside.sum() * 20 / 1000.0)
    (part,) = metal.parts
    assert part.side is Side.LEFT
    assert part.centre_lps_mm == pytest.approx([120.0, -20.0, 19.5], abs=0.6)
    assert np.array_equal(np.flatnonzero(metal.mask.any(axis=(1, 2))), np.arange(10, 30))


def test_streaks_reach_far_within_the_slices_of_metal_and_little_beyond():
    values = body()
    rod(values, (60, 220), 6.0, slices=slice(12, 30))
    metal = find_metal(scan_of(values))
    in_slice = metal.streaks[20, 60]
    above = metal.streaks[36, 60]
    # 10 mm, and 3 mm for each of the 15.6 mm of the box's diagonal.
    assert in_slice[220 - 6 - 50]
    assert not in_slice[220 - 6 - 60]
    assert above[220]
    assert not above[220 - 30]
    assert not metal.streaks[0].any()
    assert not (metal.mask & ~metal.streaks).any()


@pytest.mark.parametrize("hu", [3071, 2976, 8000, 20000])
def test_clipped_scans_show_their_metal(hu):
    values = body()
    rod(values, (60, 60), 4.0, hu=hu)
    metal = find_metal(scan_of(values))
    assert metal.parts[0].side is Side.RIGHT
    assert "metal_clipped" in [f.code for f in metal.findings]


def test_dense_cortex_noise_and_specks_are_no_metal():
    values = body()
    rod(values, (60, 60), 14.0, hu=1900)
    values = values + np.random.default_rng(0).normal(0, 60, values.shape)
    values[5, 40, 40] = 3000
    metal = find_metal(scan_of(values))
    assert not metal.mask.any()
    assert metal.findings == ()


def test_metal_at_the_hip_forbids_planning_and_metal_elsewhere_only_warns():
    values = body()
    rod(values, (60, 220), 6.0)
    scan = scan_of(values)
    metal = find_metal(scan)
    near = np.array([120.0 - HIP_RADIUS_MM + 15, -20.0, 20.0])
    far = np.array([-60.0, -20.0, 20.0])
    assert [(f.code, f.weight) for f in metal_findings(metal, scan, near)] == [("metal_hip", "refuse")]
    assert [f.weight for f in metal_findings(metal, scan, far, 60.0)] == []
    crossed = np.array([20.0, -20.0, 20.0])
    assert [(f.code, f.weight) for f in metal_findings(metal, scan, crossed, 80.0)] == [("metal_streaks", "warn")]
    assert [f.weight for f in metal_findings(metal, scan)] == ["refuse"]
    clean = find_metal(scan_of(body()))
    assert metal_findings(clean, scan) == ()


def test_metal_of_another_scan_is_refused():
    metal = find_metal(scan_of(body()))
    with pytest.raises(FrameError, match="another grid"):
        metal_findings(metal, scan_of(body((20, 120, 290))))


def test_a_narrow_picture_has_the_side_its_header_states():
    values = body((20, 100, 110))
    rod(values, (50, 50), 5.0)
    assert find_metal(scan_of(values)).parts[0].side is None
    assert find_metal(scan_of(values, side=Side.RIGHT)).parts[0].side is Side.RIGHT


def test_mr_is_not_searched_for_metal_and_says_so():
    scan = Scan(body().astype(np.int16), scan_of(body()).grid, "MR", ScanHeader())
    metal = find_metal(scan)
    assert [f.code for f in metal.findings] == ["metal_not_sought"]
    assert not metal.mask.any()


def test_every_finding_of_this_room_is_explained_on_its_page():
    root = Path(__file__).parents[2]
    page = (root / "docs" / "scans.md").read_text(encoding="utf-8")
    sources = [path.read_text(encoding="utf-8") for path in (root / "src" / "headstock" / "images").glob("*.py")]
    codes = {code for text in sources for code in re.findall(r'Finding\(\s*"(\w+)"', text)}
    codes |= {code for text in sources for code in re.findall(r'\("(coarse_\w+)"', text)}
    assert len(codes) > 20
    assert {code for code in codes if f"`{code}`" not in page} == set()
