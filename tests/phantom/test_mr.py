"""The phantom's MR: the same bones where the stated motion puts them, with another machine's contrast."""

from dataclasses import replace

import numpy as np
import pytest

from headstock.anatomy.scan.register import register
from headstock.frames import Side
from headstock.images.scan import Scan, ScanHeader
from headstock.phantom.mr import PhantomMr, phantom_mr
from headstock.phantom.scan import phantom_ct
from headstock.phantom.scan_spec import MrSpec, ScanSpec
from headstock.phantom.spec import Cyst, HipSpec, PhantomSpec

_SPEC = PhantomSpec(side=Side.LEFT, left=HipSpec(cysts=(Cyst(diameter_mm=15.0),)))
_SMALL = MrSpec(
    spacing_mm=(1.2, 1.2, 2.0),
    above_mm=45.0,
    below_mm=45.0,
    across_mm=(45.0, 45.0),
    deep_mm=(42.0, 42.0),
    shift_mm=(4.0, -5.0, 3.0),
)


@pytest.fixture(scope="module")
def found() -> PhantomMr:
    return phantom_mr(_SPEC, _SMALL)


def test_the_stated_motion_takes_the_mr_back_onto_the_ct(found: PhantomMr) -> None:
    assert found.rotation @ found.rotation.T == pytest.approx(np.eye(3), abs=1e-12)
    lesion = np.argwhere(found.labels == 3)[:, ::-1]
    middle = found.rotation @ found.grid.points(lesion).mean(axis=0) + found.translation_mm
    assert middle == pytest.approx(np.array(found.truth["lesion"]["centre_lps_mm"]), abs=0.8)


def test_marrow_is_bright_cortex_and_fluid_are_dark(found: PhantomMr) -> None:
    head = np.array(found.truth["head_centre_lps_mm"])
    away = np.linalg.norm(
        found.grid.points(np.argwhere(found.labels == 1)[:, ::-1]) @ found.rotation.T + found.translation_mm - head,
        axis=1,
    )
    inside = found.values[tuple(np.argwhere(found.labels == 1)[away < 12.0].T)]
    assert np.median(inside) > 2.0 * np.median(found.values[found.labels == 3])


def test_the_same_specs_give_the_same_mr_and_another_seed_other_noise(found: PhantomMr) -> None:
    again = phantom_mr(_SPEC, replace(_SMALL, seed=5))
    assert np.array_equal(again.labels, found.labels)
    assert not np.array_equal(again.values, found.values)


@pytest.mark.slow
def test_a_registration_finds_the_motion(found: PhantomMr) -> None:
    ct = phantom_ct(_SPEC, ScanSpec(spacing_mm=(1.25, 1.25, 1.25), cells=2, above_mm=44.0, below_mm=60.0))
    head, radius = np.array(found.truth["head_centre_lps_mm"]), 0.5 * found.truth["head_diameter_mm"]
    moved = register(
        Scan(ct.values, ct.grid, "CT", ScanHeader()), Scan(found.values, found.grid, "MR", ScanHeader()), head, radius
    )
    there = (head - found.translation_mm) @ found.rotation
    assert moved.to_ct(there) == pytest.approx(head, abs=1.5)
