"""What the field leaves out of a hip, by cropping hips whose whole is known."""

from dataclasses import replace

import numpy as np

from headstock.anatomy.scan.complete import completeness
from headstock.anatomy.scan.segmentation import Segmentation

from .scan_cases import supplied


def cropped(name: str, low: tuple[float, float, float], high: tuple[float, float, float]) -> Segmentation:
    """True labels within a box given in LPS mm about the head centre."""
    seg, truth, grid, _ = supplied(name)
    centre = np.array(truth["head_centre_lps_mm"])
    a, b = grid.index(centre + np.array(low)), grid.index(centre + np.array(high))
    first = np.clip(np.ceil(np.minimum(a, b)), 0, None).astype(int)[::-1]
    last = np.minimum(np.floor(np.maximum(a, b)).astype(int)[::-1] + 1, grid.shape)
    box = tuple(slice(int(p), int(q)) for p, q in zip(first, last, strict=True))
    shape = tuple(int(q - p) for p, q in zip(first, last, strict=True))
    return replace(
        seg,
        grid=grid.cropped((int(first[0]), int(first[1]), int(first[2])), shape),  # type: ignore[arg-type]
        bones=seg.bones[box],
        tissue=seg.tissue[box],
        femur_mm=seg.femur_mm[box],
        seed_lps_mm=centre,
    )


WIDE = (-200.0, -200.0, -200.0), (200.0, 200.0, 200.0)


def test_a_supplied_hip_is_whole_but_for_condyles_and_hemipelvis() -> None:
    whole = completeness(cropped("cedar", *WIDE))
    assert whole.head
    assert whole.neck
    assert whole.roof
    assert not whole.condyles
    assert not whole.hemipelvis
    # The series ends about 131 mm below the head (its README).
    assert abs(whole.shaft_mm - 131.0) < 3.0
    assert set(whole.missing) == {"femoral_version_deg", "hemipelvis_volume_cm3"}


def test_a_scan_that_ends_below_the_neck_gives_no_angle_to_a_shaft() -> None:
    short = completeness(cropped("cedar", (-200.0, -200.0, -60.0), WIDE[1]))
    assert short.head
    assert {"neck_shaft_angle_deg", "femoral_offset_mm"} <= set(short.missing)
    assert 58.0 < short.shaft_mm <= 60.0
    assert f"{short.shaft_mm:.0f} mm below" in short.missing["neck_shaft_angle_deg"]
    assert "head_volume_cm3" not in short.missing


def test_a_shorter_shaft_is_a_note_and_takes_nothing_away() -> None:
    short = completeness(cropped("cedar", (-200.0, -200.0, -110.0), WIDE[1]))
    assert "shaft_short" in {finding.code for finding in short.findings}
    assert "neck_shaft_angle_deg" not in short.missing


def test_a_head_cut_by_the_field_forbids_planning() -> None:
    cut = completeness(cropped("cedar", WIDE[0], (200.0, 200.0, 12.0)))
    assert not cut.head
    assert not cut.roof
    assert {finding.code: finding.weight for finding in cut.findings}["head_cut"] == "refuse"
    assert "share_of_head_percent" in cut.missing


def test_a_neck_cut_at_its_side_is_said() -> None:
    cut = completeness(cropped("cedar", (-34.0, -200.0, -200.0), WIDE[1]))
    assert cut.head
    assert not cut.neck
