"""How a scan of the phantom is taken, and what its tissues look like: plain values with units.

The numbers of HU are invented within the usual range of each tissue; none carries a measure. What a
reader may hold against the truth is in `scan_truth.py`.
"""

from dataclasses import dataclass, field
from typing import Final, Literal

from headstock.errors import FrameError

__all__ = ["MrSpec", "Rods", "ScanRegion", "ScanSpec", "Tissue"]

ScanRegion = Literal["hip", "pelvis"]

_FINEST_MM: Final = 0.2


@dataclass(frozen=True, slots=True)
class Tissue:
    """What the scanner sees of each tissue, HU.

    `cortex_HU`, and trabecular bone where it is densest in the head, in the neck and in the trochanters: for
    `density` 1; `density` multiplies what bone adds to marrow (0.6 osteoporotic, 1.3 dense). `texture`: standard
    deviation of trabecular bone about its mean, as a share; `muscle_sd_HU` that of soft tissue before any noise.
    `fat_share`: share of the soft tissue about the hip that is fat between muscles. `texture_seed` belongs to the
    patient: the same in every scan of one person.
    """

    density: float = 1.0
    cortex_HU: float = 1220.0
    head_HU: float = 430.0
    neck_HU: float = 210.0
    trochanter_HU: float = 140.0
    calcar_HU: float = 330.0
    marrow_HU: float = 20.0
    pelvic_HU: float = 160.0
    rim_HU: float = 720.0
    cyst_HU: float = 22.0
    crescent_HU: float = -150.0
    cartilage_HU: float = 75.0
    muscle_HU: float = 52.0
    fat_HU: float = -95.0
    fat_share: float = 0.12
    skin_HU: float = 40.0
    metal_HU: float = 9000.0
    texture: float = 0.09
    muscle_sd_HU: float = 7.0
    texture_seed: int = 7


@dataclass(frozen=True, slots=True)
class Rods:
    """A calibration slab under the patient with rods of known density, along the table.

    `densities_g_cm3`: equivalent density of each rod, from the patient's right to left. `slope`, `offset`: the
    scanner's law, density (g/cm3) = slope * HU + offset. `below_hip_mm`: from the head centre down to the
    rods' middle; None puts them under the skin.
    """

    densities_g_cm3: tuple[float, ...] = (0.0, 0.1, 0.2, 0.4, 0.8)
    diameter_mm: float = 14.0
    apart_mm: float = 22.0
    slope: float = 0.0008
    offset: float = 0.0
    slab_HU: float = 20.0
    below_hip_mm: float | None = None


@dataclass(frozen=True, slots=True)
class ScanSpec:
    """How a CT series of the phantom is taken.

    `region` "hip": the hip under study; "pelvis": both. The box reaches `above_mm`, `below_mm` from the head
    centre, `across_mm` (lateral, medial) and `deep_mm` (anterior, posterior); None takes the usual for that region.
    `condyles` lengthens it down to below the knee. `spacing_mm` (column, row, slice); `thickness_mm` of a slice,
    None: its spacing. `offset_mm` shifts the grid against the anatomy: other partial volumes of the same patient.
    `blur_mm`: standard deviation of the point spread. `overshoot`: how much a bone kernel adds of what a picture has
    beyond its own blurred form (0 none, 0.5 marked), within slices. `noise_HU`: standard deviation of the noise,
    smoothed over `noise_correlation_mm`. `cells`: fine cells along each axis of a voxel, None: of about a third of a
    millimetre, larger where the scan is large. `table`: the table shows when the field holds it. `streaks` 0 draws
    metal without artefacts, 1 with usual ones.
    """

    region: ScanRegion = "hip"
    spacing_mm: tuple[float, float, float] = (1.0, 1.0, 1.0)
    thickness_mm: float | None = None
    offset_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    above_mm: float = 48.0
    below_mm: float = 132.0
    across_mm: tuple[float, float] | None = None
    deep_mm: tuple[float, float] | None = None
    condyles: bool = False
    blur_mm: float = 0.45
    overshoot: float = 0.0
    noise_HU: float = 15.0
    noise_correlation_mm: float = 0.0
    rods: Rods | None = None
    table: bool = True
    body_mm: float = 210.0
    streaks: float = 1.0
    tissue: Tissue = field(default_factory=Tissue)
    cells: int | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        if min(self.spacing_mm) < _FINEST_MM or self.noise_HU < 0.0 or self.blur_mm < 0.0:
            raise FrameError(
                f"A scan with voxels of {self.spacing_mm} mm, noise of {self.noise_HU} HU and a blur of "
                f"{self.blur_mm} mm cannot be made. Give voxels of at least {_FINEST_MM} mm, and no negative noise "
                "or blur."
            )
        if not 0.0 <= self.overshoot <= 2.0:
            raise FrameError(f"An overshoot of {self.overshoot} is no kernel's. Give 0 (none) to 2.")
        if self.cells is not None and not 1 <= self.cells <= 8:
            raise FrameError(f"{self.cells} cells along a voxel were asked for. Give 1 to 8.")


@dataclass(frozen=True, slots=True)
class MrSpec:
    """How an MR series of the hip under study is taken: T1-weighted, coronal slices.

    The patient lies elsewhere than on the CT: turned by `turn_deg` (about x, then y, then z of LPS, through the
    head centre) and moved by `shift_mm`. `spacing_mm` (column, row, slice): columns go left, rows to the feet, slices
    backward. `bias`: the coil's brightness, as a share, from the middle to the edge. `noise`: standard
    deviation against a signal of 1000 for fat.
    """

    turn_deg: tuple[float, float, float] = (4.0, -3.0, 6.0)
    shift_mm: tuple[float, float, float] = (7.0, -11.0, 5.0)
    spacing_mm: tuple[float, float, float] = (0.9, 0.9, 2.0)
    offset_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    above_mm: float = 60.0
    below_mm: float = 100.0
    across_mm: tuple[float, float] = (75.0, 75.0)
    deep_mm: tuple[float, float] = (55.0, 55.0)
    blur_mm: float = 0.5
    noise: float = 22.0
    bias: float = 0.15
    tissue: Tissue = field(default_factory=Tissue)
    seed: int = 0
