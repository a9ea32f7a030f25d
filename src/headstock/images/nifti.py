"""Volumes of the research format NIfTI-1: read into a `Scan`, and recognised by content.

In: a file or its bytes, packed with gzip or not. Out: a `Scan` on a right-handed LPS grid. The format's own frame
is RAS (x right-to-left is *its* growing left-to-right, y anterior); the first two axes change sign on the way.
Source: NIfTI-1 data format, nifti1.h (2007): sform before qform (methods 3 and 2); R from the quaternion.
Decisions: docs/decisions/0203-nifti-orientation.md, 0205-a-modality-is-asked-for.md
"""

import gzip
import re
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import AmbiguousError, ImageError
from headstock.geometry.grid import Grid
from headstock.images._guard import refusing
from headstock.images._scan_findings import coarse_findings
from headstock.images.scan import Finding, Scan, ScanHeader, ScanModality
from headstock.images.scan_limits import COMMON, ScanLimits

__all__ = ["is_nifti", "modality_of_name", "nifti_header", "read_nifti"]

Floats = NDArray[np.float64]

_GZIP: Final = b"\x1f\x8b"
_HEADER: Final = 348
_AXES_TOLERANCE: Final = 1e-3  # definition: as of the slices of a series, decision 0200
# Definitions; decision 0205 says why these. Air in Hounsfield units with its noise, the share of a volume that shows
# it, and what lies below any of it: the one value that pads a picture, never a range of values.
_AIR_HU: Final = (-1100, -900)
_AIR_SHARE: Final = 1e-3
_BELOW_AIR_HU: Final = -1300
# Codes of nifti1.h for the kinds of numbers a scan may be stored in.
_KINDS: Final[Mapping[int, str]] = {2: "u1", 4: "i2", 8: "i4", 16: "f4", 64: "f8", 256: "i1", 512: "u2", 768: "u4"}
_DAMAGED: Final = "The NIfTI file is damaged or cut short. Copy or export it again."


@dataclass(frozen=True, slots=True, eq=False)
class _Header:
    shape: tuple[int, int, int]
    kind: np.dtype[Any]
    begins: int
    slope: float
    intercept: float
    to_lps: Floats
    notes: tuple[Finding, ...]


def is_nifti(source: bytes | Path) -> bool:
    """Whether the content is a NIfTI-1 volume in one file, packed or not."""
    try:
        start = _start(source)
    except (OSError, EOFError, zlib.error, ImageError):
        return False
    return start[344:348] == b"n+1\0" and 348 in (
        int.from_bytes(start[:4], "little"),
        int.from_bytes(start[:4], "big"),
    )


def read_nifti(source: bytes | Path, *, modality: ScanModality | None = None, limits: ScanLimits | None = None) -> Scan:
    """The scan in a NIfTI file.

    `modality`: the format does not say, so a person may; None reads as CT what holds air in Hounsfield units. What was
    said or concluded is a finding.

    Raises
    ------
    ImageError
        Not NIfTI, damaged, without an orientation, not square, or more than one volume.
    AmbiguousError
        Nobody said whether it is CT or MR, and its numbers do not tell.
    """
    limits = limits or COMMON
    if not is_nifti(source):
        raise ImageError(
            "This is not a NIfTI volume in one file (.nii or .nii.gz). Convert it, or open the DICOM series."
        )
    with refusing(_DAMAGED):
        header = nifti_header(_start(source))
        limits.check_size(*header.shape)
        needed = header.begins + int(np.prod(header.shape)) * header.kind.itemsize
        data = _unpacked(source, needed)
        if len(data) < needed:
            raise ImageError(_DAMAGED)
        stored = np.frombuffer(data, header.kind, offset=header.begins, count=int(np.prod(header.shape)))
        values = _scaled(stored.reshape(header.shape), header)
    findings = list(header.notes)
    modality, note = _modality(values, modality)
    findings.append(note)
    values, grid = _right_handed(values, header)
    findings += coarse_findings(grid, limits)
    values.flags.writeable = False
    return Scan(values, grid, modality, ScanHeader(files=1), tuple(findings))


def _start(source: bytes | Path) -> bytes:
    """The first bytes, unpacked."""
    if isinstance(source, Path):
        with source.open("rb") as file:
            head = file.read(2)
            file.seek(0)
            return gzip.GzipFile(fileobj=file).read(_HEADER + 4) if head == _GZIP else file.read(_HEADER + 4)
    if source[:2] == _GZIP:
        return gzip.GzipFile(fileobj=BytesIO(source)).read(_HEADER + 4)
    return source[: _HEADER + 4]


def _unpacked(source: bytes | Path, size: int) -> bytes:
    """The first `size` bytes, unpacked: what the header promises and no more."""
    data = source.read_bytes() if isinstance(source, Path) else source
    if data[:2] != _GZIP:
        return data
    return gzip.GzipFile(fileobj=BytesIO(data)).read(size)


def nifti_header(start: bytes) -> _Header:
    """The facts of a header.

    Raises
    ------
    ImageError
        Not one volume of plain numbers in mm with an orientation.
    """
    if len(start) < _HEADER:
        raise ImageError(_DAMAGED)
    order = "<" if int.from_bytes(start[:4], "little") == _HEADER else ">"

    def get(form: str, at: int) -> tuple[Any, ...]:
        return struct.unpack_from(order + form, start, at)

    dim = get("8h", 40)
    if dim[0] < 3 or any(d > 1 for d in dim[4 : dim[0] + 1]) or min(dim[1:4]) < 2:
        raise ImageError(
            f"The NIfTI file holds an array of {' by '.join(str(d) for d in dim[1 : max(dim[0], 0) + 1])}, not one "
            "volume of voxels. Save one volume alone."
        )
    (code,) = get("h", 70)
    if code not in _KINDS:
        raise ImageError(
            "The NIfTI file holds colours or numbers of a kind that is not read. Save it as whole numbers."
        )
    pixdim = get("8f", 76)
    (begins,) = get("f", 108)
    slope, intercept = get("2f", 112)
    units = start[123] & 0x07
    if units not in (0, 2):
        raise ImageError("The NIfTI file gives its lengths in metres or micrometres. Save it in millimetres.")
    qform, sform = get("2h", 252)
    by_q = _by_quaternion(get("6f", 256), pixdim)
    by_s = np.array(get("12f", 280)).reshape(3, 4)
    if qform <= 0 and sform <= 0:
        raise ImageError(
            "The NIfTI file does not say how its volume lies in the patient (neither sform nor qform), so left and "
            "right are unknown. Convert the DICOM series again with a program that keeps the orientation."
        )
    notes: list[Finding] = []
    if units == 0:
        notes.append(Finding("unit_unstated", "note", "The file states no unit of length; it is read as millimetres."))
    affine = by_s if sform > 0 else by_q
    if qform > 0 and sform > 0:
        corners = np.array([[i, j, k, 1.0] for i in (0, dim[1]) for j in (0, dim[2]) for k in (0, dim[3])])
        apart = float(np.linalg.norm(corners @ (by_s - by_q).T, axis=1).max())
        if apart > 0.1:
            notes.append(
                Finding(
                    "two_orientations",
                    "warn",
                    f"The file states its place in the patient twice, up to {apart:.3g} mm apart; the first (sform) is "
                    "used. Check side and position against the films.",
                )
            )
    if not np.all(np.isfinite(affine)):
        raise ImageError(_DAMAGED)
    return _Header(
        shape=(dim[3], dim[2], dim[1]),
        kind=np.dtype(order + _KINDS[code]),
        begins=max(int(begins), _HEADER + 4),
        slope=float(slope) if np.isfinite(slope) and slope != 0.0 else 1.0,
        intercept=float(intercept) if np.isfinite(intercept) and slope != 0.0 else 0.0,
        to_lps=np.diag([-1.0, -1.0, 1.0]) @ affine,
        notes=tuple(notes),
    )


def _by_quaternion(values: tuple[float, ...], pixdim: tuple[float, ...]) -> Floats:
    """The affine (3, 4) of the quaternion form, nifti1.h method 2."""
    b, c, d, *offset = values
    rest = 1.0 - b * b - c * c - d * d
    if rest < 1e-7:  # half a turn: what is left is rounding of the three that are stored
        length = np.sqrt(b * b + c * c + d * d)
        a, b, c, d = 0.0, b / length, c / length, d / length
    else:
        a = float(np.sqrt(rest))
    turn = np.array(
        [
            [a * a + b * b - c * c - d * d, 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), a * a + c * c - b * b - d * d, 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), a * a + d * d - b * b - c * c],
        ]
    )
    steps = np.array(pixdim[1:4]) * [1.0, 1.0, -1.0 if pixdim[0] < 0 else 1.0]
    return np.column_stack([turn * steps, np.array(offset)])


def _scaled(stored: NDArray[Any], header: _Header) -> NDArray[Any]:
    """Scaled numbers: int16 where they are whole and fit, else float32."""
    if header.slope == 1.0 and header.intercept == 0.0 and stored.dtype.kind in "iu":
        low, high = int(stored.min()), int(stored.max())
        return stored.astype(np.int16 if low >= -32768 and high <= 32767 else np.float32)
    values = stored.astype(np.float64) * header.slope + header.intercept
    if not np.all(np.isfinite(values)):
        raise ImageError("The volume holds values that are no numbers (infinite or undefined). Save it again without.")
    whole = np.rint(values)
    if np.array_equal(whole, values) and values.min() >= -32768 and values.max() <= 32767:
        return whole.astype(np.int16)
    return values.astype(np.float32)


def modality_of_name(name: str) -> ScanModality | None:
    """What a file's owner calls it: hip_CT.nii.gz, hip-mr.nii; None where the name does not end so."""
    bare = name.replace("\\", "/").rpartition("/")[2].lower()
    found = re.search(r"(?:^|[^a-z0-9])(ct|mr)\.nii(?:\.gz)?$", bare)
    if found is None:
        return None
    return "CT" if found[1] == "ct" else "MR"


def _modality(values: NDArray[Any], said: ScanModality | None) -> tuple[ScanModality, Finding]:
    """The modality, and how it is known. The same values and the same word give the same finding."""
    low, high = float(values.min()), float(values.max())
    range_words = f"from {low:.4g} to {high:.4g}"
    air = _air_share(values)
    if air > 0.0 and said != "MR":
        return "CT", Finding(
            "modality_by_values",
            "note",
            f"The file does not say whether it is CT or MR. {100.0 * air:.2g} % of its values are those of air in "
            "Hounsfield units: it is read as CT.",
        )
    if air > 0.0:
        return "MR", Finding(
            "modality_said",
            "warn",
            "The file does not say whether it is CT or MR. It was said to be MR and is read so, but "
            f"{100.0 * air:.2g} % of its values are those of air in Hounsfield units, as on CT. Check which it is.",
        )
    if said == "CT":
        return "CT", Finding(
            "modality_said",
            "warn",
            f"The file does not say whether it is CT or MR; it was said to be CT. Its values run {range_words}, "
            "without air, so nothing shows that they are Hounsfield units: outlines, density and dead bone rest on it.",
        )
    if said == "MR":
        return "MR", Finding(
            "modality_said",
            "note",
            "The file does not say whether it is CT or MR; it was said to be MR and is read so, without density.",
        )
    raise AmbiguousError(
        f"This NIfTI file does not say whether it is CT or MR, and its values, {range_words}, do not tell: there is no "
        "air in Hounsfield units among them, which a part of a CT can lack and an MR never has. Say which it is: let "
        "the file's name end in _CT or _MR (hip_CT.nii.gz) and bring it in again, or give --modality CT or --modality "
        "MR on the command line."
    )


def _air_share(values: NDArray[Any]) -> float:
    """The share of values that are air in Hounsfield units; 0 where that cannot be told from other numbers."""
    below = values[values < _BELOW_AIR_HU]
    if below.size and below.min() != below.max():
        return 0.0
    share = float(np.mean((values >= _AIR_HU[0]) & (values <= _AIR_HU[1])))
    return share if share >= _AIR_SHARE else 0.0


def _right_handed(values: NDArray[Any], header: _Header) -> tuple[NDArray[Any], Grid]:
    """The volume on its LPS grid; a left-handed one with its slices in the other order."""
    steps = header.to_lps[:, :3]
    spacing = np.linalg.norm(steps, axis=0)
    if np.any(spacing <= 0.0):
        raise ImageError(_DAMAGED)
    axes = steps / spacing
    if np.abs(axes.T @ axes - np.eye(3)).max() > _AXES_TOLERANCE:
        raise ImageError(
            "The axes of this volume are not square to each other, as under a tilted gantry: lengths would be wrong. "
            "Open the DICOM series instead, which is resampled properly."
        )
    u, _, vt = np.linalg.svd(axes)
    axes = u @ vt  # the nearest orthonormal axes: the file keeps seven digits
    origin = header.to_lps[:, 3].copy()
    if np.linalg.det(axes) < 0.0:
        origin += axes[:, 2] * spacing[2] * (values.shape[0] - 1)
        axes = axes * [1.0, 1.0, -1.0]
        values = np.ascontiguousarray(values[::-1])
    return values, Grid(origin, axes, spacing, (values.shape[0], values.shape[1], values.shape[2]))
