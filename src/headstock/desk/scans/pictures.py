"""Pictures of a hip planned on its scan: the planned film, and the hip in space, for the sheet and the pages.

The planned film is the scan projected as an AP film would be, with the metal in it: focus and detector stand where
the settings put them, the patient lies as the scanner saw them. It shows what the film after the operation should
look like, up to how the patient then lies.
"""

import io
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.desk.scene import Scene
from headstock.documents import SheetFilm, film_png
from headstock.errors import TooFewError
from headstock.images.drr import Detector, bone_window, film_grey, project_volume
from headstock.implants import Catalogue, Placement
from headstock.planning.space.picture import MM_ACROSS, space_picture
from headstock.planning.space.planned import planned_volume

__all__ = ["PlannedGrey", "planned_film", "planned_grey", "png", "space_rgb", "space_sheet"]

_PIXEL_MM: Final = 0.35  # of the drawn detector: finer than the scan's voxels
_WIDE_MM, _HIGH_MM, _ABOVE_MM = 130.0, 165.0, 52.0  # at the hip
_SIZE_PX: Final = 520


@dataclass(frozen=True, slots=True, eq=False)
class PlannedGrey:
    """The planned film: `grey` (rows, columns) uint8, and mm at the hip per pixel."""

    grey: NDArray[np.uint8]
    mm_per_px: float


def _scan_of(scene: Scene):  # type: ignore[no-untyped-def]  # ScanPart, without a circle of imports
    if scene.scan is None:
        raise TooFewError("The planned film is projected from a scan, and no scan of this hip was read.")
    return scene.scan


def planned_grey(scene: Scene, placement: Placement | None, catalogue: Catalogue) -> PlannedGrey:
    """The scan projected as an AP film, with the part in it; without one, as it is."""
    scan = _scan_of(scene)
    source = scene.limits.setting("assumed_source_detector_mm")
    behind = scene.limits.setting("hip_above_detector_mm")
    detector = Detector.ap(
        scan.read.hip.centre_lps_mm,
        source_detector_mm=source,
        hip_to_detector_mm=behind,
        width_mm=_WIDE_MM,
        height_mm=_HIGH_MM,
        above_mm=_ABOVE_MM,
        pixel_mm=_PIXEL_MM,
    )
    bare = project_volume(*planned_volume(scan.read.scan, scan.space, None, catalogue), detector)
    seen = bare
    if placement is not None:
        seen = project_volume(*planned_volume(scan.read.scan, scan.space, placement, catalogue), detector)
    # Metal is white whatever its thickness: the window is that of the bone, as on the films beside it.
    return PlannedGrey(film_grey(seen, bone_window(bare)), _PIXEL_MM * (source - behind) / source)


def space_rgb(scene: Scene, placement: Placement | None, catalogue: Catalogue) -> NDArray[np.uint8]:
    """The hip in space from the front, always the same camera."""
    return space_picture(_scan_of(scene).space, placement, catalogue, size_px=_SIZE_PX)


def png(picture: NDArray[np.uint8]) -> bytes:
    """A picture as PNG."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG")
    return out.getvalue()


def planned_film(scene: Scene, placement: Placement, catalogue: Catalogue) -> SheetFilm:
    """The planned film for the sheet."""
    found = planned_grey(scene, placement, catalogue)
    rows, columns = found.grey.shape
    caption = "Planned film: the scan as an AP film would show it, with the part"
    return SheetFilm(
        film_png(found.grey.astype(np.float32) / 255.0), float(columns), float(rows), caption, (), found.mm_per_px
    )


def space_sheet(scene: Scene, placement: Placement, catalogue: Catalogue) -> SheetFilm:
    """The hip in space for the sheet."""
    picture = space_rgb(scene, placement, catalogue)
    rows, columns = picture.shape[:2]
    caption = f"In space, from the front; {MM_ACROSS:.0f} mm across"
    return SheetFilm(png(picture), float(columns), float(rows), caption, (), None)
