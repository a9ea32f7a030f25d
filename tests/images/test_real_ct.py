"""A real CT with metal: read the right way round, its metal found, refused for planning with reasons."""

from pathlib import Path

import numpy as np
import pytest

from headstock.desk.scans.loose import open_series, show_series
from headstock.frames import Side
from headstock.images.scan_metal import find_metal
from headstock.images.scan_read import scan_of_files

REAL = Path(__file__).parents[1] / "data" / "real-ct"


@pytest.fixture(scope="module")
def pelvis():
    return scan_of_files([REAL / "pelvis_with_metal_3mm.nii.gz"])


def test_its_metal_lies_in_the_patients_left_whatever_the_order_of_its_columns(pelvis):
    """Source: tests/data/real-ct/README.md: metal in the left femur; LPS x grows to the left."""
    metal = find_metal(pelvis)
    assert metal.volume_cm3 > 1.0
    largest = max(metal.parts, key=lambda part: part.volume_cm3)
    assert largest.side is Side.LEFT
    columns, rows, slices = (0.5 * (n - 1) for n in pelvis.grid.shape[::-1])
    middle = pelvis.grid.points(np.array([columns, rows, slices]))
    assert largest.centre_lps_mm[0] > middle[0]


def test_its_volume_agrees_with_an_independent_readers_place_of_every_corner(pelvis):
    import SimpleITK as sitk

    image = sitk.ReadImage(str(REAL / "pelvis_with_metal_3mm.nii.gz"))
    values = sitk.GetArrayViewFromImage(image)
    rng = np.random.default_rng(4)
    for index in rng.integers(0, np.array(image.GetSize()), (40, 3)):
        place = np.array(image.TransformIndexToPhysicalPoint([int(v) for v in index]))
        c, r, s = np.round(pelvis.grid.index(place)).astype(int)
        assert pelvis.values[s, r, c] == pytest.approx(values[index[2], index[1], index[0]], abs=1.0)


def test_it_is_refused_for_planning_with_the_reasons():
    found = show_series(open_series(REAL / "pelvis_with_metal_3mm.nii.gz"))
    assert found["plannable"] is False
    said = " ".join(one["says"] for one in found["findings"] if one["weight"] == "refuse")
    assert "etal" in said
