"""A seated part that a hospital gives as a solid: STL or STEP into a closed surface, its outlines and its seat.

In: bytes of one file. Out: `Mesh` in the component frame, mm; the outlines that films need. The
file must be drawn in the component frame (docs/families.md): origin where the part's axis crosses the cut, z
toward the head, x medial, y anterior, of the left form. Nothing is turned, scaled or closed here: what does not
fit is refused with words.
Decision: docs/decisions/0243-solids-from-files.md
"""

import subprocess
import sys
import tempfile
from functools import lru_cache
from io import BytesIO
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError
from headstock.geometry.mesh import Mesh
from headstock.implants._solid_shape import ABOVE_CUT_MM

__all__ = ["AT_CUT_MM", "LARGEST_BYTES", "SOLID_SUFFIXES", "carved_of", "inside_folder", "outlines_of", "read_solid"]

Floats = NDArray[np.float64]
LARGEST_BYTES: Final = 40_000_000
SOLID_SUFFIXES: Final = (".stl", ".step", ".stp")
_MOST_FACES: Final = 400_000
_EASY_FACES: Final = 60_000
_THINNED_MM: Final = 0.02  # a surface of more faces is thinned by no more than this
_LONGEST_S: Final = 90.0
_SHORTEST_MM, _LONGEST_MM, _THINNEST_MM = 15.0, 400.0, 4.0  # definitions: a femoral part is not outside these
AT_CUT_MM: Final = 0.05  # nearer to the cut a surface is the cut face itself, no seat
_OUTLINE_MM: Final = 0.03  # outlines keep this close to the silhouette
_STEP_CHILD: Final = Path(__file__).with_name("_step_child.py")


def inside_folder(folder: Path, name: str) -> Path:
    """The file `name` of a family's folder.

    Raises
    ------
    CatalogueError
        The name leads out of the folder, is of another kind, too large, or not there.
    """
    plain, other = PurePosixPath(name), PureWindowsPath(name)
    if plain.is_absolute() or other.is_absolute() or other.drive or ".." in plain.parts or ".." in other.parts:
        raise CatalogueError(f"solid_file “{name}” leads out of the family's folder. Put the file beside the family.")
    if plain.suffix.lower() not in SOLID_SUFFIXES:
        raise CatalogueError(f"solid_file “{name}” is not one of {', '.join(SOLID_SUFFIXES)}. Export the solid anew.")
    path = folder / name
    if not path.resolve().is_relative_to(folder.resolve()):
        raise CatalogueError(f"solid_file “{name}” leads out of the family's folder. Put the file beside the family.")
    if not path.is_file():
        raise CatalogueError(f"solid_file “{name}” is not in the family's folder. Put it there, or correct the name.")
    if path.stat().st_size > LARGEST_BYTES:
        raise CatalogueError(
            f"solid_file “{name}” has {path.stat().st_size / 1e6:.0f} MB; {LARGEST_BYTES / 1e6:.0f} are read. "
            "Export it with fewer faces: 0.02 mm of deviation is enough."
        )
    return path


@lru_cache(maxsize=64)
def read_solid(name: str, data: bytes) -> Mesh:
    """The closed surface in a file, mm, component frame; `name` tells the kind by its ending.

    Raises
    ------
    CatalogueError
        Not readable, not closed, in several pieces, of an unlikely size, or not about its own axis.
    """
    if len(data) > LARGEST_BYTES:
        raise CatalogueError(f"“{name}” has {len(data) / 1e6:.0f} MB; {LARGEST_BYTES / 1e6:.0f} are read.")
    vertices, faces = _stl(name, data) if name.lower().endswith(".stl") else _step(name, data)
    if not len(faces):
        raise CatalogueError(f"“{name}” holds no surface. Export the part as one closed solid.")
    if len(faces) > _MOST_FACES:
        raise CatalogueError(
            f"“{name}” has {len(faces)} faces; {_MOST_FACES} are read. Export it with a deviation of 0.02 mm."
        )
    if not np.all(np.isfinite(vertices)):
        raise CatalogueError(f"“{name}” holds numbers that are none. Export the part anew.")
    mesh = _welded(vertices, faces)
    if not mesh.is_closed:
        raise CatalogueError(
            f"“{name}” is not closed: some edges belong to one face or to faces that run against each other, so it has "
            "no inside. Close the surface (one solid, no gaps, no inner walls) and export it anew."
        )
    if mesh.volume_mm3 < 0.0:
        mesh = Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]))
    _plausible(name, mesh)
    mesh = _one_piece(name, mesh)
    mesh.vertices.flags.writeable = False
    mesh.faces.flags.writeable = False
    return mesh


def _stl(name: str, data: bytes) -> tuple[Floats, NDArray[np.int64]]:
    import trimesh

    try:
        loaded: Any = trimesh.load_mesh(BytesIO(data), file_type="stl", process=False)
        return np.asarray(loaded.vertices, np.float64), np.asarray(loaded.faces, np.int64)
    except Exception as error:  # a parser of foreign bytes: whatever it meets is the file's fault
        raise CatalogueError(f"“{name}” cannot be read as STL. Export the part anew as binary STL.") from error


def _step(name: str, data: bytes) -> tuple[Floats, NDArray[np.int64]]:
    refused = CatalogueError(f"“{name}” cannot be read as STEP. Export the part as one solid (AP203, AP214 or AP242).")
    if not data.lstrip()[:13].upper().startswith(b"ISO-10303-21"):
        raise refused
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "part.step", Path(folder) / "part.obj"
        source.write_bytes(data)
        try:
            subprocess.run(
                [sys.executable, "-I", str(_STEP_CHILD), str(source), str(target)],
                capture_output=True,
                timeout=_LONGEST_S,
                check=True,
            )
        except (subprocess.SubprocessError, OSError) as error:
            raise refused from error
        if not target.is_file() or target.stat().st_size > 4 * LARGEST_BYTES:
            raise refused
        return _obj(target.read_text(encoding="utf-8", errors="replace"))


def _obj(text: str) -> tuple[Floats, NDArray[np.int64]]:
    """Vertices and triangles of an OBJ as the converter writes it; mm whatever the STEP file's own unit."""
    vertices, faces = [], []
    for line in text.splitlines():
        if line.startswith("v "):
            vertices.append([float(x) for x in line.split()[1:4]])
        elif line.startswith("f "):
            corners = [int(part.split("/")[0]) - 1 for part in line.split()[1:]]
            faces += [[corners[0], corners[i], corners[i + 1]] for i in range(1, len(corners) - 1)]
    return np.array(vertices, np.float64).reshape(-1, 3), np.array(faces, np.int64).reshape(-1, 3)


def _welded(vertices: Floats, faces: NDArray[np.int64]) -> Mesh:
    """Corners within a ten-thousandth of a mm made one; faces that fall together left out."""
    _, first, own = np.unique(np.round(vertices, 4), axis=0, return_index=True, return_inverse=True)
    faces = own.reshape(-1)[faces]
    apart = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return Mesh(np.ascontiguousarray(vertices[first]), np.ascontiguousarray(faces[apart]))


def _plausible(name: str, mesh: Mesh) -> None:
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    size = high - low
    says = " x ".join(f"{s:.4g}" for s in size)
    if size.max() > _LONGEST_MM or size.max() < _SHORTEST_MM or size.min() < _THINNEST_MM:
        raise CatalogueError(
            f"“{name}” measures {says} if its unit is the millimetre: no femoral part does. Export it in mm."
        )
    if low[2] > -5.0:
        raise CatalogueError(
            f"“{name}” lies above the cut (its lowest point is at z = {low[2]:.1f} mm): a seated part reaches below "
            "z = 0. Move it so that its axis crosses the cut at the origin, z toward the head."
        )
    if high[2] < -2.0:
        raise CatalogueError(
            f"“{name}” begins {-high[2]:.1f} mm below the cut, so it has no seat at the cut. Move it up to z = 0."
        )
    rings = mesh.section([0.0, 0.0, min(-0.5, high[2] - 0.5)], [0.0, 0.0, 1.0])
    if not any(_around_axis(ring) for ring in rings):
        raise CatalogueError(
            f"“{name}” does not stand about its axis: just below the cut the line x = y = 0 runs outside it. Draw it "
            "in the component frame: origin where the axis crosses the cut, x medial, y anterior, z toward the head."
        )


def _around_axis(ring: Floats) -> bool:
    angle = np.unwrap(np.arctan2(ring[:, 1], ring[:, 0]))
    return bool(abs(abs(angle[-1] - angle[0]) - 2.0 * np.pi) < 0.1)


def manifold_of(mesh: Mesh) -> Any:
    """The mesh for booleans."""
    import manifold3d

    return manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices, np.float64), np.array(mesh.faces, np.uint64)))


def mesh_of(manifold: Any) -> Mesh:
    """Back from booleans."""
    out = manifold.to_mesh64()
    return Mesh(np.asarray(out.vert_properties[:, :3], np.float64), np.asarray(out.tri_verts, np.int64))


def _one_piece(name: str, mesh: Mesh) -> Mesh:
    import manifold3d

    body = manifold_of(mesh)
    if body.status() != manifold3d.Error.NoError:
        raise CatalogueError(
            f"“{name}” is closed but crosses or folds into itself ({body.status().name}). Repair the solid "
            "and export it."
        )
    pieces = body.decompose()
    if len(pieces) != 1:
        raise CatalogueError(
            f"“{name}” holds {len(pieces)} separate bodies. Give the femoral part alone, without head, screws or cup."
        )
    if len(mesh.faces) <= _EASY_FACES:
        return mesh
    return mesh_of(body.simplify(_THINNED_MM))


def outlines_of(mesh: Mesh, seat_depth_mm: float) -> dict[str, Any]:
    """What films show of the solid: `outline_ap_mm`, `seat_ap_mm` and the lateral ones, as a family file would give.

    Outlines are silhouettes in parallel projection. The seat is the stretch of the outline below the cut down
    to `seat_depth_mm`, on both sides of the axis.

    Raises
    ------
    CatalogueError
        A silhouette has no stretch of seat on one side.
    """
    found: dict[str, Any] = {}
    for view, first in (("ap", 0), ("lateral", 1)):
        outline = _silhouette(mesh, first)
        found[f"outline_{view}_mm"] = outline
        found[f"seat_{view}_mm"] = _seats(outline, seat_depth_mm, view)
    return found


def _silhouette(mesh: Mesh, first: int) -> Floats:
    """Outer outline (K, 2) of the mesh seen along the other level axis: (x or y, z)."""
    other = 1 - first
    # The projection runs along the third axis: (x, z, -y) for AP, (y, z, x) for lateral keep the orientation.
    turned = np.column_stack(
        [mesh.vertices[:, first], mesh.vertices[:, 2], (-1.0 if first == 0 else 1.0) * mesh.vertices[:, other]]
    )
    polygons = manifold_of(Mesh(turned, mesh.faces)).project().simplify(_OUTLINE_MM).to_polygons()
    areas = [abs(_area(np.asarray(p, np.float64))) for p in polygons]
    return np.asarray(polygons[int(np.argmax(areas))], np.float64)


def _area(p: Floats) -> float:
    q = np.roll(p, -1, axis=0)
    return float(0.5 * np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]))


def _seats(outline: Floats, depth: float, view: str) -> list[Floats]:
    from headstock.implants.shape import resampled

    dense = resampled(np.vstack([outline, outline[:1]]), 0.5)[:-1]
    in_seat = (dense[:, 1] < -AT_CUT_MM) & (dense[:, 1] >= -depth - 1e-9)
    start = int(np.argmin(in_seat)) if not in_seat.all() else 0
    dense, in_seat = np.roll(dense, -start, axis=0), np.roll(in_seat, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], in_seat, [False]]).astype(int)))
    runs = [dense[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
    if not any((run[:, 0] < 0.0).any() for run in runs) or not any((run[:, 0] >= 0.0).any() for run in runs):
        raise CatalogueError(
            f"seen in the {view} view the solid has no seat on one side of its axis within seat_depth_mm of the cut. "
            "Check seat_depth_mm and how the solid lies in its frame."
        )
    return runs


def carved_of(mesh: Mesh, seat_depth_mm: float, overrun_mm: float) -> Mesh:
    """What is taken out of the bone: the part below the cut, open above it, its seat run on down by the overrun."""
    body = manifold_of(mesh)
    below = body.trim_by_plane((0.0, 0.0, -1.0), 0.0)
    top = min(0.0, float(mesh.vertices[:, 2].max())) - 0.01
    lid = body.slice(top).extrude(ABOVE_CUT_MM - top).translate((0.0, 0.0, top))
    whole = below + lid
    if overrun_mm > 0.0:
        end = -seat_depth_mm + 0.01
        run = body.slice(end).extrude(overrun_mm + 0.01).translate((0.0, 0.0, end - overrun_mm - 0.01))
        whole = whole + run
    return mesh_of(whole)
