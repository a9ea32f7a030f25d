"""Outlines as a DICOM segmentation, and back.

In: labels on (a crop of) the scan's grid, and the files of the series they belong to. Out: a Segmentation object
(PS3.3 A.51, binary, one bit a voxel), one segment a bone; read back voxel for voxel. Written by highdicom.
Codes: SNOMED CT as in the standard's context groups (PS3.16). Categories, CID 7150: anatomical structure 91723000,
morphologically abnormal structure 49755003. Types: femur 71341001 and pelvis (bone structure) 118645006, CID 7304;
lesion 52988006. Laterality, CID 244: left 7771000, right 24028007.
"""

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import ImageError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images._header import numbers, text
from headstock.images._header import whole as whole_number
from headstock.images.read import read_dataset
from headstock.images.resample import labels_on
from headstock.images.scan import Scan

__all__ = ["SEGMENTS", "read_seg", "write_seg"]

# label: (words, code of the thing, its meaning)
SEGMENTS: Final[dict[int, tuple[str, str, str]]] = {
    1: ("femur", "71341001", "Femur"),
    2: ("hemipelvis", "118645006", "Pelvis"),
    3: ("dead or cystic bone", "52988006", "Lesion"),
}
_BONE: Final = ("91723000", "Anatomical Structure")
_ABNORMAL: Final = ("49755003", "Morphologically abnormal structure")
_SIDES: Final = {Side.LEFT: ("7771000", "Left"), Side.RIGHT: ("24028007", "Right")}
_SAME_PLACE_MM: Final = 0.01  # definition: as of the slices of a series, decision 0200
_SAME_DIRECTION: Final = 1e-3  # definition: as above


def write_seg(
    files: Sequence[bytes | Path], scan: Scan, grid: Grid, labels: NDArray[np.uint8], side: Side, *, version: str
) -> bytes:
    """A segmentation that refers to the slices of its series.

    It lies on the scan's grid. Where that is not the series' own (a tilted gantry, uneven slices), its frames
    carry places of their own in the same frame of reference, and its description says so.

    Parameters
    ----------
    files
        The files the scan was read from; others among them are left out.
    labels
        On `grid`: 1 femur, 2 hemipelvis, 3 lesion (inside the femur: it belongs to both segments).

    Raises
    ------
    ImageError
        There is no bone in the labels, or no file of the scan's series.
    """
    import highdicom
    from pydicom.sr.coding import Code
    from pydicom.uid import ExplicitVRLittleEndian

    sources, own_slices = _sources(files, scan)
    whole = labels_on(labels, grid, scan.grid)
    present = [label for label in SEGMENTS if np.any(whole == label) or (label == 1 and np.any(whole == 3))]
    if not present:
        raise ImageError("These outlines hold no bone, so there is nothing to write. Find the bone first.")
    masks = np.stack([(whole == 1) | (whole == 3) if label == 1 else whole == label for label in present], axis=-1)
    lateral = Code(_SIDES[side][0], "SCT", _SIDES[side][1])
    descriptions = []
    for number, label in enumerate(present, start=1):
        words, value, meaning = SEGMENTS[label]
        kind = _ABNORMAL if label == 3 else _BONE
        one = highdicom.seg.SegmentDescription(
            segment_number=number,
            segment_label=f"{side.value} {words}",
            segmented_property_category=Code(kind[0], "SCT", kind[1]),
            segmented_property_type=Code(value, "SCT", meaning),
            algorithm_type="SEMIAUTOMATIC",
            algorithm_identification=highdicom.AlgorithmIdentificationSequence(
                name="headstock", family=Code("123109", "DCM", "Manual Processing"), version=version
            ),
        )
        item = one.SegmentedPropertyTypeCodeSequence[0]
        item.SegmentedPropertyTypeModifierCodeSequence = [
            highdicom.sr.CodedConcept(lateral.value, lateral.scheme_designator, lateral.meaning)
        ]
        descriptions.append(one)
    found = highdicom.seg.Segmentation(
        source_images=sources,
        pixel_array=masks.astype(np.uint8),
        segmentation_type="BINARY",
        segment_descriptions=descriptions,
        series_instance_uid=highdicom.UID(),
        series_number=900,
        sop_instance_uid=highdicom.UID(),
        instance_number=1,
        manufacturer="headstock",
        manufacturer_model_name="headstock",
        software_versions=version,
        device_serial_number="0",
        transfer_syntax_uid=ExplicitVRLittleEndian,
        content_label="HIP",
        content_description="Bones of one hip" if own_slices else "Bones of one hip, on a grid squared from the slices",
        omit_empty_frames=False,  # the grid of the whole scan, so that labels lie where they did
        **({} if own_slices else _places(scan.grid)),
    )
    out = io.BytesIO()
    found.save_as(out)
    return out.getvalue()


def _sources(files: Sequence[bytes | Path], scan: Scan) -> tuple[list[Any], bool]:
    """The objects of the scan's own series, and whether they are single slices that lie on its grid, in its order."""
    found = []
    for file in files:
        try:
            data = read_dataset(file if isinstance(file, bytes) else file.read_bytes())
        except (ImageError, OSError):
            continue
        if scan.header.series_uid and text(data, "SeriesInstanceUID") == scan.header.series_uid and "PixelData" in data:
            found.append(data)
    if not found:
        raise ImageError(
            "None of these files belongs to the scan's series, so the segmentation would refer to nothing. Give the "
            "DICOM files the scan was read from; of a scan that was none, write the labels as NIfTI."
        )
    slices = [one for one in found if len(numbers(one, "ImagePositionPatient")) == 3]
    if not slices:
        return found[:1], False  # one enhanced object
    normal = scan.grid.axes[:, 2]
    slices.sort(key=lambda one: float(np.dot(numbers(one, "ImagePositionPatient"), normal)))
    want = scan.grid.points(np.array([[0.0, 0.0, float(k)] for k in range(scan.grid.shape[0])]))
    at = np.array([numbers(one, "ImagePositionPatient") for one in slices])
    along = np.array([numbers(one, "ImageOrientationPatient") for one in slices])
    size = {(whole_number(one, "Rows"), whole_number(one, "Columns")) for one in slices}
    if (
        at.shape == want.shape
        and np.abs(at - want).max() <= _SAME_PLACE_MM
        and along.shape == (len(slices), 6)
        and np.abs(along - scan.grid.axes[:, :2].T.ravel()).max() <= _SAME_DIRECTION
        and size == {scan.grid.shape[1:]}
    ):
        return slices, True
    main = [one for one in slices if (whole_number(one, "Rows"), whole_number(one, "Columns")) == _usual_size(slices)]
    return main, False


def _usual_size(slices: Sequence[Any]) -> tuple[int | None, int | None]:
    """The size most slices have: an overview among them has another."""
    sizes = [(whole_number(one, "Rows"), whole_number(one, "Columns")) for one in slices]
    return max(set(sizes), key=sizes.count)


def _places(grid: Grid) -> dict[str, Any]:
    """The geometry of a grid, frame by frame, as highdicom takes it."""
    import highdicom

    column, row, step = (float(v) for v in grid.spacing_mm)
    return {
        "plane_orientation": highdicom.PlaneOrientationSequence(
            "PATIENT", [float(v) for v in grid.axes[:, :2].T.ravel()]
        ),
        "pixel_measures": highdicom.PixelMeasuresSequence(
            pixel_spacing=[row, column], slice_thickness=step, spacing_between_slices=step
        ),
        "plane_positions": [
            highdicom.PlanePositionSequence("PATIENT", [round(float(v), 6) for v in grid.points([0.0, 0.0, float(k)])])
            for k in range(grid.shape[0])
        ],
    }


def read_seg(data: bytes) -> tuple[Grid, NDArray[np.uint8]]:
    """Labels of a segmentation that `write_seg` wrote: 1 femur, 2 hemipelvis, 3 lesion, on the grid of its frames.

    Raises
    ------
    ImageError
        It is no segmentation, or its frames make no volume.
    """
    import highdicom

    try:
        found = highdicom.seg.segread(io.BytesIO(data))
        volume = found.get_volume(combine_segments=False)
        names = {
            number: str(found.get_segment_description(number).segmented_property_type.value)
            for number in found.segment_numbers
        }
    except Exception as error:
        raise ImageError(
            f"This is no DICOM segmentation of one volume that can be read ({type(error).__name__}). Export it again."
        ) from None
    # highdicom's volume is [slice, row, column, segment] with an affine from those indices to LPS.
    matrix = np.asarray(volume.affine, np.float64)
    steps = matrix[:3, [2, 1, 0]]
    spacing = np.linalg.norm(steps, axis=0)
    array = np.asarray(volume.array)
    axes, origin = steps / spacing, matrix[:3, 3]
    if np.linalg.det(axes) < 0.0:
        origin = origin + (array.shape[0] - 1) * steps[:, 2]
        axes = axes * [1.0, 1.0, -1.0]
        array = array[::-1]
    code_of = {code: label for label, (_, code, _) in SEGMENTS.items()}
    slices, rows, columns = (int(n) for n in array.shape[:3])
    labels = np.zeros((slices, rows, columns), np.uint8)
    order = sorted(names, key=lambda number: code_of.get(names[number], 0))  # the lesion last: it lies in the femur
    for number in order:
        label = code_of.get(names[number])
        if label is not None:
            labels[array[..., number - 1] > 0] = label
    return Grid(origin, axes, spacing, (slices, rows, columns)), labels
