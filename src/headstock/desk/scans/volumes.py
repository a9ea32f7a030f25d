"""The volumes and meshes a browser draws from: the working volume around the hip, as raw little-endian bytes.

The working volume is the grid of the outlines once they are found, before that the whole scan; either is
thinned by whole steps until it has at most `MOST_VOXELS`. Layouts: desk/scan_pages.py.
"""

import hashlib
import struct
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.desk.desk import Desk
from headstock.desk.limits import limits_in_force
from headstock.desk.scans.plain import grid_from_json, grid_to_json
from headstock.desk.scans.reading import Outlines, outlines_of, scan_scene
from headstock.desk.scans.rows import hip_of_scan
from headstock.desk.scans.volume import volume
from headstock.errors import RecordError, TooFewError
from headstock.geometry.grid import Grid
from headstock.geometry.mesh import Mesh
from headstock.images.scan import Scan
from headstock.records.scans import reading_of
from headstock.records.scans import scan as scan_row
from headstock.records.tables import ScanRow

__all__ = [
    "MOST_VOXELS",
    "grey_bytes",
    "label_bytes",
    "on_grid",
    "packed_mesh",
    "part_bytes",
    "solid_bytes",
    "thinned_by",
    "working_grid",
    "working_version",
]

MOST_VOXELS: Final = 16_000_000  # 32 MB of grey levels: a few seconds of a hospital's network, memory of any tablet
LESION, LESION_OUTER = 3, 4


def _outlines(desk: Desk, row: ScanRow, hip_id: str) -> Outlines | None:
    try:
        return outlines_of(desk, row, hip_id)
    except TooFewError:
        return None


def thinned_by(grid: Grid) -> int:
    """Every how many voxels of the outlines' grid one is kept in the working volume."""
    step = 1
    while np.prod([-(-n // step) for n in grid.shape]) > MOST_VOXELS:
        step += 1
    return step


def _thinned(grid: Grid, step: int) -> Grid:
    shape = tuple(-(-n // step) for n in grid.shape)
    return Grid(grid.origin_mm, grid.axes, grid.spacing_mm * step, (shape[0], shape[1], shape[2]))


def _whole(desk: Desk, row: ScanRow, hip_id: str) -> Grid:
    outlines = _outlines(desk, row, hip_id)
    return grid_from_json(row.grid) if outlines is None else outlines.seg.grid


def working_grid(desk: Desk, row: ScanRow, hip_id: str) -> Grid:
    """The grid of the bytes below."""
    grid = _whole(desk, row, hip_id)
    return _thinned(grid, thinned_by(grid))


def working_version(desk: Desk, row: ScanRow, hip_id: str) -> str:
    """Changes when grey levels or labels change: part of their address."""
    outlines = _outlines(desk, row, hip_id)
    mark = row.content_sha256 if outlines is None else outlines.mark
    return hashlib.sha256(f"{row.content_sha256} {mark}".encode()).hexdigest()[:16]


def _opened(desk: Desk, scan_id: str, hip_id: str | None) -> tuple[ScanRow, str]:
    with desk.store.session() as session:
        row = scan_row(session, scan_id)
        return row, hip_of_scan(session, row, hip_id).id


def grey_bytes(desk: Desk, scan_id: str, hip_id: str | None) -> tuple[bytes, str]:
    """The grey levels of the working volume, and a tag that changes with them."""
    row, hip = _opened(desk, scan_id, hip_id)
    mark = hashlib.sha256(f"{row.content_sha256} {grid_to_json(working_grid(desk, row, hip))}".encode()).hexdigest()
    return desk.answers.get(("grey volume", mark), lambda: _grey_volume(desk, row, hip)), mark[:32]


def label_bytes(desk: Desk, scan_id: str, hip_id: str | None) -> tuple[bytes, str]:
    """The labels of the working volume, and a tag that changes with them."""
    row, hip = _opened(desk, scan_id, hip_id)
    return _label_volume(desk, row, hip), f"labels-{working_version(desk, row, hip)}"


def part_bytes(desk: Desk, scan_id: str, hip_id: str | None, part: str) -> tuple[bytes, str]:
    """The mesh of a bone, and a tag that changes with it."""
    row, hip = _opened(desk, scan_id, hip_id)
    return _mesh_bytes(desk, row, hip, part), f"{part}-{working_version(desk, row, hip)}"


def solid_bytes(desk: Desk, family: str, size: str) -> tuple[bytes, str]:
    """The mesh of a component in its own frame, and a tag that changes with its shape.

    Raises
    ------
    CatalogueError
        There is no such family or size, or it has no shape in space.
    """
    from headstock.implants.solid import solid

    data = packed_mesh(solid(desk.catalogue.family(family).component(size)).mesh)
    return data, hashlib.sha256(data).hexdigest()[:32]


def _grey_volume(desk: Desk, row: ScanRow, hip_id: str) -> bytes:
    """int16 [slice, row, column]: HU on CT; MR values are brought into 0 to 4095."""
    scan, grid = volume(desk, row), _whole(desk, row, hip_id)
    step = thinned_by(grid)
    part = on_grid(scan, grid)[::step, ::step, ::step]
    if scan.modality == "MR":
        top = max(float(np.percentile(scan.values[::3, ::3, ::3], 99.9)), 1e-6)
        part = np.clip(part.astype(np.float32) / top, 0.0, 1.0) * 4095.0
    return np.ascontiguousarray(np.clip(part, -32768, 32767).astype("<i2")).tobytes()


def on_grid(scan: Scan, grid: Grid) -> NDArray[np.int16] | NDArray[np.float32]:
    """The scan's values on a grid of its own voxels (a crop), or interpolated where the grid is another."""
    if grid.same_as(scan.grid):
        return scan.values
    first = scan.grid.index(grid.origin_mm)
    whole = np.round(first).astype(int)
    aligned = (
        np.allclose(first, whole, atol=1e-3)
        and np.allclose(grid.spacing_mm, scan.grid.spacing_mm, atol=1e-5)
        and np.allclose(grid.axes, scan.grid.axes, atol=1e-5)
    )
    c, r, s = whole
    a, b, d = grid.shape
    inside = min(c, r, s) >= 0 and s + a <= scan.grid.shape[0] and r + b <= scan.grid.shape[1]
    if aligned and inside and c + d <= scan.grid.shape[2]:
        part: NDArray[np.int16] | NDArray[np.float32] = scan.values[s : s + a, r : r + b, c : c + d]
        return part
    from headstock.images.resample import values_on

    return values_on(scan.values, scan.grid, grid, -1024.0)


def _label_volume(desk: Desk, row: ScanRow, hip_id: str) -> bytes:
    """uint8 [slice, row, column]: 0, 1 femur, 2 pelvis, 3 lesion by its best estimate, 4 up to its outer one."""
    outlines = _outlines(desk, row, hip_id)
    if outlines is None:
        grid = working_grid(desk, row, hip_id)
        return bytes(int(np.prod(grid.shape)))
    labels = outlines.seg.bones.copy()
    read = scan_scene(desk, row, hip_id, limits_in_force(desk))
    if read.lesion.parts and read.lesion.grid.shape == labels.shape:
        inside = outlines.seg.femur
        labels[(read.lesion.outer_mm < 0.0) & inside] = LESION_OUTER
        labels[(read.lesion.best_mm < 0.0) & inside] = LESION
    step = thinned_by(outlines.seg.grid)
    return np.ascontiguousarray(labels[::step, ::step, ::step]).tobytes()


# ---- meshes --------------------------------------------------------------------------------------------------


def packed_mesh(mesh: Mesh, value: NDArray[np.float32] | None = None) -> bytes:
    """uint32 vertices V, uint32 faces F, V x 3 float32, F x 3 uint32, then V float32 of `value` when given."""
    parts = [
        struct.pack("<II", len(mesh.vertices), len(mesh.faces)),
        np.ascontiguousarray(mesh.vertices, "<f4").tobytes(),
        np.ascontiguousarray(mesh.faces, "<u4").tobytes(),
    ]
    if value is not None:
        parts.append(np.ascontiguousarray(value, "<f4").tobytes())
    return b"".join(parts)


def _mesh_bytes(desk: Desk, row: ScanRow, hip_id: str, part: str) -> bytes:
    """One bone's surface, LPS; the femur carries the thickness of its cortex.

    Raises
    ------
    RecordError
        There is no such part in this hip.
    """
    from headstock.planning.space.fields import bone_meshes, prepare_space

    with desk.store.session() as session:
        if reading_of(session, row.id, hip_id) is None:
            raise TooFewError("The bone of this scan was not found yet, so there is nothing to draw. Open the scan.")
    read = scan_scene(desk, row, hip_id, limits_in_force(desk))

    def make() -> dict[str, tuple[Mesh, NDArray[np.float32] | None]]:
        space = prepare_space(read.scan, read.seg, read.hip, read.lesion, read.density)
        found: dict[str, tuple[Mesh, NDArray[np.float32] | None]] = {}
        for name, mesh in bone_meshes(space).items():
            value = None
            if name == "femur":
                # Depth of the cortex's inner face below the surface: the wall of bone a seat would have to stand in.
                value = np.maximum(np.asarray(space.inner.at(mesh.vertices), np.float32), 0.0)
            vertices = read.hip.lps(mesh.vertices)
            mirrored = np.linalg.det(read.hip.to_lps) < 0.0
            faces = mesh.faces[:, ::-1] if mirrored else mesh.faces
            found[name] = (Mesh(vertices, np.ascontiguousarray(faces)), value)
        return found

    meshes = desk.answers.get(("meshes", read.basis), make)
    if part not in meshes:
        raise RecordError(f"This hip has no part called {part} to draw. The parts are {', '.join(meshes)}.")
    mesh, value = meshes[part]
    return packed_mesh(mesh, value)
