"""A CT scan of a phantom, with what is true in every voxel.

In: a `PhantomSpec` and a `ScanSpec`. Out: `PhantomScan`: HU (int16), its grid (LPS, mm),
true labels by voxel centre, and truth under the names of the supplied patients.
Surfaces are painted into cells finer than the voxels, each cell one material;
a voxel is the mean of its cells under slice width and point spread, so that partial
volume is that of the surfaces. `FineScan` keeps the cells, so that the same patient
can be scanned again on a shifted grid with fresh noise in a fraction of a second.
Decision: docs/decisions/0260-cells-finer-than-voxels.md
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.phantom.materials import LESION_LABEL, Materials, materials_of
from headstock.phantom.patient import PhantomPatient, make_hip_patient
from headstock.phantom.rods import PlacedRods, placed_rods
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.scan_truth import truth_of_scan
from headstock.phantom.spec import PhantomSpec
from headstock.phantom.tissue import air_and_body, table_top_mm, texture, trabecular_HU
from headstock.phantom.voxels import averaged, coloured

__all__ = ["FineScan", "PhantomScan", "fine_ct", "phantom_ct", "scan_grid"]

Floats = NDArray[np.float64]

_LOWEST_HU: Final = -1024
_HIGHEST_HU: Final = 3071  # 12 bits from -1024 up, as most scanners store
_KERNEL_MM: Final = 0.8  # over which a bone kernel compares a point with its neighbours
_SHIFTED: Final = 1  # voxels beside the grid that a shifted grid may reach into
_SLAB: Final = 32
_CELL_MM: Final = 0.34
_MANY_CELLS: Final = 160_000_000
_FIELDS: Final = 3  # soft tissue, trabecular bone, spongy bone of the pelvis


@dataclass(frozen=True, slots=True, eq=False)
class PhantomScan:
    """A scan with its truth.

    `values` [slice, row, column] int16, HU on CT, without unit on MR; `labels` uint8 on the same grid, by
    voxel centre: 1 femur, 2 pelvis, 3 lesion (inside the femur). `clean` int16: `values` before noise.
    """

    values: NDArray[np.int16]
    clean: NDArray[np.int16]
    labels: NDArray[np.uint8]
    grid: Grid
    spec: PhantomSpec
    truth: dict[str, Any]

    @property
    def side(self) -> Side:
        """The hip under study."""
        return self.spec.side

    @property
    def femur(self) -> NDArray[np.bool_]:
        """Voxels whose centre lies in a femur, lesion included."""
        return np.asarray((self.labels == 1) | (self.labels == LESION_LABEL))

    @property
    def pelvis(self) -> NDArray[np.bool_]:
        """Voxels whose centre lies in the pelvis."""
        return np.asarray(self.labels == 2)

    @property
    def lesion(self) -> NDArray[np.bool_]:
        """Voxels whose centre lies in dead bone or a cyst, without its rim."""
        return np.asarray(self.labels == LESION_LABEL)


def _box(patient: PhantomPatient, scan: ScanSpec) -> tuple[Floats, Floats]:
    """Lowest and highest corner (3,) of the field, LPS, mm."""
    hip, other = patient.hip, patient.hips[patient.spec.side.other]
    head = hip.centre_lps_mm
    lateral, medial = scan.across_mm or (60.0, 60.0)
    if scan.region == "pelvis":
        between = abs(float(head[0] - other.centre_lps_mm[0]))
        lateral, medial = scan.across_mm or (95.0, between + 95.0)
    anterior, posterior = scan.deep_mm or ((58.0, 58.0) if scan.region == "hip" else (120.0, 110.0))
    if scan.rods is not None and scan.deep_mm is None:
        y = table_top_mm(patient, scan.body_mm) + 0.5 * scan.rods.diameter_mm + 4.0
        if scan.rods.below_hip_mm is not None:
            y = head[1] + scan.rods.below_hip_mm
        posterior = max(posterior, y - head[1] + 0.5 * scan.rods.diameter_mm + 8.0)
    below = scan.below_mm
    if scan.condyles:
        lowest = hip.to_lps(hip.femur.outer.vertices)[:, 2].min()
        below = max(below, float(head[2] - lowest) + 12.0)
    outward = 1.0 if hip.side is Side.LEFT else -1.0
    x = sorted((head[0] + outward * lateral, head[0] - outward * medial))
    low = np.array([x[0], head[1] - anterior, head[2] - below])
    high = np.array([x[1], head[1] + posterior, head[2] + scan.above_mm])
    if np.any(high - low < 4.0 * np.array(scan.spacing_mm)):
        raise FrameError(
            "The field of this scan is thinner than four voxels, so it would show nothing. Give a larger field."
        )
    return low, high


def scan_grid(patient: PhantomPatient, scan: ScanSpec) -> Grid:
    """The grid of a series: axial slices from the feet up, columns to the left, rows backward."""
    low, high = _box(patient, scan)
    spacing = np.array(scan.spacing_mm, dtype=np.float64)
    count = np.round((high - low) / spacing).astype(int)
    origin = low + 0.5 * spacing + np.array(scan.offset_mm)
    return Grid(origin, np.eye(3), spacing, (int(count[2]), int(count[1]), int(count[0])))


def _cells(scan: ScanSpec, grid: Grid) -> tuple[int, int, int]:
    """Fine cells along (column, row, slice) of a voxel: about a third of a millimetre, larger in a large scan."""
    if scan.cells is not None:
        return (scan.cells,) * 3
    size = _CELL_MM
    while True:
        per = tuple(int(np.clip(round(s / size), 1, 12)) for s in scan.spacing_mm)
        if np.prod(grid.shape, dtype=np.float64) * np.prod(per) <= _MANY_CELLS or max(per) == 1:
            return per[0], per[1], per[2]
        size *= 1.25


def _padded(grid: Grid, by: int) -> Grid:
    a, b, c = (n + 2 * by for n in grid.shape)
    return replace(grid, origin_mm=grid.points(np.full(3, -float(by))), shape=(a, b, c))


def _fine_grid(blocks: Grid, cells: tuple[int, int, int]) -> Grid:
    """The grid of the cells of `blocks`."""
    per = np.array(cells, dtype=np.float64)
    first = blocks.points(-0.5 + 0.5 / per)
    shape = tuple(n * k for n, k in zip(blocks.shape, cells[::-1], strict=True))
    return Grid(first, blocks.axes, blocks.spacing_mm / per, shape)  # type: ignore[arg-type]


def _fields(patient: PhantomPatient, scan: ScanSpec, blocks: Grid, labels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """(3, slices, rows, columns): soft tissue, trabecular bone, spongy bone of the pelvis, one value a block."""
    tissue = scan.tissue
    a, b, c = blocks.shape
    at = np.empty((a, b, c, 3), dtype=np.float32)
    index = np.meshgrid(np.arange(c), np.arange(b), np.arange(a), indexing="ij")
    for i in range(3):
        steps = [blocks.axes[i, j] * blocks.spacing_mm[j] * index[j].T for j in range(3)]
        at[..., i] = blocks.origin_mm[i] + steps[0] + steps[1] + steps[2]
    points = at.reshape(-1, 3)
    fat, muscle, fine = (texture(points, mm, tissue.texture_seed + i) for i, mm in enumerate((6.0, 2.5, 0.9)))
    out = np.zeros((_FIELDS, a * b * c), dtype=np.float32)
    out[0] = air_and_body(patient, points, tissue, scan.body_mm, fat, muscle, table=scan.table)
    out[2] = tissue.marrow_HU + (tissue.pelvic_HU - tissue.marrow_HU) * tissue.density * (
        1.0 + 1.5 * tissue.texture * fine
    )
    for side, hip in patient.hips.items():
        mine = np.flatnonzero(labels.reshape(-1) == (1 if side is Side.RIGHT else 2))
        if len(mine):
            bone = trabecular_HU(hip, points[mine], tissue)
            out[1, mine] = tissue.marrow_HU + (bone - tissue.marrow_HU) * (1.0 + tissue.texture * fine[mine])
    return out.reshape(_FIELDS, a, b, c)


@dataclass(frozen=True, slots=True, eq=False)
class FineScan:
    """A patient in cells, ready to be scanned again and again.

    `cells` int16 [slice, row, column], HU; their grid is `grid`. `per` (column, row, slice): cells of a voxel.
    """

    patient: PhantomPatient
    scan_spec: ScanSpec
    materials: Materials
    rods: PlacedRods | None
    cells: NDArray[np.int16]
    grid: Grid
    per: tuple[int, int, int]
    lesion_mm3: tuple[float, ...]

    def scan(
        self, *, offset_mm: tuple[float, float, float] = (0.0, 0.0, 0.0), seed: int = 0, noise_HU: float | None = None
    ) -> PhantomScan:
        """The patient again, on a grid shifted by `offset_mm` (at most a voxel) against the first, with fresh noise.

        Raises
        ------
        FrameError
            A shift of more than a voxel.
        """
        spacing = np.array(self.scan_spec.spacing_mm)
        if np.any(np.abs(offset_mm) > _SHIFTED * spacing):
            raise FrameError(
                f"A shift of {offset_mm} mm is more than the voxel of {self.scan_spec.spacing_mm} mm that was kept "
                "beside the scan. Shift by less: only the fraction of a voxel changes anything."
            )
        x, y, z = (a + b for a, b in zip(self.scan_spec.offset_mm, offset_mm, strict=True))
        first = (x, y, z)
        spec = replace(
            self.scan_spec,
            offset_mm=first,
            seed=seed,
            noise_HU=self.scan_spec.noise_HU if noise_HU is None else noise_HU,
        )
        grid = scan_grid(self.patient, spec)
        clean = _means(self.cells, self.grid, grid, self.per, spec)
        return _finished(self.patient, spec, self.materials, self.rods, grid, clean, self.lesion_mm3)


def _means(
    cells: NDArray[np.int16], cell_grid: Grid, grid: Grid, per: tuple[int, int, int], spec: ScanSpec
) -> NDArray[np.float32]:
    """Clean HU on `grid` from cells that surround it."""
    width = np.array(per, dtype=np.float64)
    if spec.thickness_mm is not None:
        width[2] = spec.thickness_mm / cell_grid.spacing_mm[2]
    place = cell_grid.index(grid.origin_mm)
    found = averaged(cells, grid.shape, per, place, width, spec.blur_mm / cell_grid.spacing_mm)
    return found if spec.overshoot == 0.0 else _overshot(found, grid, spec.overshoot)


def _overshot(values: NDArray[np.float32], grid: Grid, share: float) -> NDArray[np.float32]:
    """Edges as a bone kernel shows them: brighter just inside, darker just outside, mean values as they were."""
    from scipy.ndimage import gaussian_filter

    sigma = (0.0, *(_KERNEL_MM / grid.spacing_mm[1::-1]))
    return np.asarray(values + np.float32(share) * (values - gaussian_filter(values, sigma)), np.float32)


def _margin(spec: ScanSpec) -> int:
    """Voxels around the grid whose cells reach into it."""
    thick = spec.thickness_mm or spec.spacing_mm[2]
    reach = max((0.5 * max(thick, s) + 3.0 * spec.blur_mm) / s for s in spec.spacing_mm)
    return int(np.ceil(reach + 0.5))


class _Painter:
    """What a patient and a scan put into cells, slab by slab."""

    def __init__(self, spec: PhantomSpec, scan: ScanSpec, margin: int) -> None:
        self.patient, self.scan = make_hip_patient(spec), scan
        self.grid = scan_grid(self.patient, scan)
        self.per = _cells(scan, self.grid)
        self.blocks = _padded(self.grid, margin)
        self.fine = _fine_grid(self.blocks, self.per)
        self.rods = None
        if scan.rods is not None:
            low, high = _box(self.patient, scan)
            x = float(self.patient.hip.centre_lps_mm[0]) if scan.region == "hip" else 0.5 * float(low[0] + high[0])
            self.rods = placed_rods(self.patient, scan.rods, scan.body_mm, (float(low[2]), float(high[2])), x)
        self.materials = materials_of(self.patient, scan.tissue, self.rods)
        near = self.materials.near_femurs(self.blocks)
        self.fields = _fields(self.patient, scan, self.blocks, near)
        self.lesion_mm3 = np.zeros(len(self.patient.hip.bodies))

    def slab(self, first: int, last: int, *, count: tuple[int, int] | None = None) -> NDArray[np.int16]:
        """HU of the cells of fine slices `first` .. `last`; lesion cells of slices `count` are counted."""
        part = self.fine.cropped((first, 0, 0), (last - first, *self.fine.shape[1:]))
        codes = self.materials.painted(part)
        if count is not None:
            inner = codes[count[0] - first : count[1] - first]
            self.lesion_mm3 += self.materials.lesion_cells(inner) * self.fine.voxel_mm3
        m = self.materials
        return coloured(codes, self.per, first, m.base, m.gain, m.field_of, self.fields)


def _finished(
    patient: PhantomPatient,
    spec: ScanSpec,
    materials: Materials,
    rods: PlacedRods | None,
    grid: Grid,
    clean: NDArray[np.float32],
    lesion_mm3: tuple[float, ...],
) -> PhantomScan:
    """Streaks, noise, labels and truth added to clean means."""
    from scipy.ndimage import gaussian_filter

    noise_sd: Any = spec.noise_HU
    if materials.has_metal and spec.streaks > 0.0:
        from headstock.phantom.streaks import streaks_HU

        streaks, louder = streaks_HU(clean, grid, spec.seed)
        clean = clean + np.float32(spec.streaks) * streaks
        noise_sd = spec.noise_HU * (1.0 + spec.streaks * louder)
    values = clean
    if spec.noise_HU > 0.0:
        rng = np.random.default_rng([spec.seed, 61])
        noise = rng.standard_normal(clean.shape, dtype=np.float32)
        if spec.noise_correlation_mm > 0.0:
            noise = gaussian_filter(noise, spec.noise_correlation_mm / grid.spacing_mm[::-1], truncate=3.0)
            noise /= float(noise.std())
        values = clean + noise * noise_sd
    labels = materials.labels(grid)
    return PhantomScan(
        _stored(values),
        _stored(clean),
        labels,
        grid,
        patient.spec,
        truth_of_scan(patient, spec, grid, rods, lesion_mm3),
    )


def _stored(values: NDArray[np.float32]) -> NDArray[np.int16]:
    whole = np.clip(np.rint(values), _LOWEST_HU, _HIGHEST_HU).astype(np.int16)
    whole.setflags(write=False)
    return whole


def phantom_ct(spec: PhantomSpec, scan: ScanSpec | None = None) -> PhantomScan:
    """The CT of a phantom; deterministic by the two specs.

    Raises
    ------
    FrameError
        A field or a rod slab that cannot be.
    """
    scan = scan or ScanSpec()
    margin = _margin(scan)
    paint = _Painter(spec, scan, margin)
    grid, per = paint.grid, paint.per
    clean = np.empty(grid.shape, dtype=np.float32)
    for start in range(0, grid.shape[0], _SLAB):
        stop = min(start + _SLAB, grid.shape[0])
        # Cells of this slab and of the margin on both sides, in fine slices of the padded grid.
        first, last = start * per[2], (stop + 2 * margin) * per[2]
        cells = paint.slab(first, last, count=((start + margin) * per[2], (stop + margin) * per[2]))
        cell_grid = paint.fine.cropped((first, 0, 0), cells.shape)
        part = grid.cropped((start, 0, 0), (stop - start, *grid.shape[1:]))
        clean[start:stop] = _means(cells, cell_grid, part, per, scan)
    lesions = tuple(float(v) for v in paint.lesion_mm3)
    return _finished(paint.patient, scan, paint.materials, paint.rods, grid, clean, lesions)


@lru_cache(maxsize=2)
def fine_ct(spec: PhantomSpec, scan: ScanSpec | None = None) -> FineScan:
    """The cells of a phantom, kept for scanning it many times: see `FineScan.scan`."""
    scan = scan or ScanSpec()
    paint = _Painter(spec, scan, _margin(scan) + _SHIFTED)
    cells = paint.slab(0, paint.fine.shape[0], count=(0, paint.fine.shape[0]))
    lesions = tuple(float(v) for v in paint.lesion_mm3)
    return FineScan(paint.patient, scan, paint.materials, paint.rods, cells, paint.fine, paint.per, lesions)
