"""Dead bone marked on an MR scan by one click, and carried onto the CT of the same hip.

In: an MR scan of the record, a click in the lesion. Out: the motion from MR to CT with its error, kept with the click;
the outline itself follows from both and is worked out again when it is wanted.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from headstock import __version__
from headstock.anatomy.scan.lesion_mr import outline_from_click, sphere_segmentation
from headstock.anatomy.scan.register import Registration, carried, register
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion
from headstock.desk.desk import Desk
from headstock.desk.scans.volume import volume
from headstock.errors import FrameError, ImageError, TooFewError
from headstock.images.scan import Scan
from headstock.measured import Measured
from headstock.records import stamp, write_line
from headstock.records.scans import reading_of
from headstock.records.scans import scan as scan_row
from headstock.records.tables import ScanReading, ScanRow

__all__ = ["carried_lesion", "mark_lesion"]

Floats = NDArray[np.float64]


def mark_lesion(
    desk: Desk,
    mr_id: str,
    hip_id: str,
    click: list[float],
    ct: tuple[Scan, Segmentation, Floats, float],
    progress: Callable[[float, str], None],
    *,
    who: str,
    now: datetime,
) -> str:
    """Keep a click in dead bone on an MR, and how that MR lies on the CT. `ct`: scan, outlines, head centre, radius.

    Raises
    ------
    ImageError
        The scan is not an MR.
    FrameError, AmbiguousError, TooFewError
        The two do not fit on each other, or the clicked place cannot be told from the rest of the head.
    """
    with desk.store.session() as session:
        row = scan_row(session, mr_id)
    if row.modality != "MR":
        raise ImageError("Dead bone is marked by a click on MR; on CT it is found, and corrected by brush.")
    progress(0.05, "reading the slices")
    mr = volume(desk, row)
    scan, seg, centre, radius = ct
    point = np.array(click, np.float64)
    progress(0.15, "moving the MR onto the CT")
    found = _registered(scan, mr, centre, radius, point)
    progress(0.8, "outlining dead bone")
    lesion = _outlined(mr, seg, found, point, centre, radius)
    kept = {
        "click": [float(v) for v in point],
        "rotation": found.rotation.tolist(),
        "translation_mm": found.translation_mm.tolist(),
        "target_error_mm": found.target_error_mm.to_json(),
        "ends_mm": found.ends_mm.tolist(),
    }
    volume_cm3 = lesion.measures["volume_cm3"].number
    error = found.target_error_mm.number
    says = f"dead bone of {volume_cm3:.1f} cm³ marked; it lies on the CT within {error:.1f} mm"
    with desk.store.writing() as session:
        reading = reading_of(session, mr_id, hip_id)
        if reading is None:
            reading = ScanReading(scan_id=mr_id, hip_id=hip_id, says="", made_by="", at=stamp(now))
            session.add(reading)
        reading.seed = [kept]
        reading.says, reading.made_by, reading.at = says, f"headstock {__version__}", stamp(now)
        write_line(session, at=now, who=who, action="lesion marked on MR", subject=mr_id, hip=hip_id, kept=kept)
    return says


def _registered(ct: Scan, mr: Scan, centre: Floats, radius: float, click: Floats) -> Registration:
    try:
        return register(ct, mr, centre, radius)
    except FrameError:
        # The patient lay elsewhere on the other machine: the click lies in the head, so bring the head there first.
        shift = centre - click
        moved = replace(mr, grid=replace(mr.grid, origin_mm=mr.grid.origin_mm + shift))
        found = register(ct, moved, centre, radius)
        return replace(found, translation_mm=found.translation_mm + found.rotation @ shift)


def _outlined(mr: Scan, seg: Segmentation, found: Registration, click: Floats, centre: Floats, radius: float) -> Lesion:
    there = found.to_mr(centre)
    sphere = sphere_segmentation(mr, seg.side, there, radius)
    return carried(outline_from_click(mr, sphere, click, there, radius), found, seg)


def carried_lesion(
    desk: Desk, row: ScanRow, kept: list[Any], seg: Segmentation, centre: Floats, radius: float
) -> Lesion:
    """The marked lesion of an MR scan on the outlines of a CT, from what `mark_lesion` kept.

    Raises
    ------
    TooFewError
        Nothing was marked.
    """
    if not kept:
        raise TooFewError("Nothing was marked on this MR scan. Click in the dead bone.")
    plain = kept[0]
    error = plain["target_error_mm"]
    found = Registration(
        np.array(plain["rotation"], np.float64),
        np.array(plain["translation_mm"], np.float64),
        Measured(error["value"], error["unit"], error["source"], error["low"], error["high"], error["kind"]),
        np.array(plain["ends_mm"], np.float64),
    )
    return _outlined(volume(desk, row), seg, found, np.array(plain["click"], np.float64), centre, radius)
