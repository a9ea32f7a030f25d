"""What a cell of a phantom scan is made of: materials, their order, and how HU follow from them.

In: a patient and tissues. Out: codes painted surface by surface, each over what it may
replace (a femur over everything, its marrow over its cortex only, metal last), and the
tables that turn codes into HU.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.phantom.patient import PhantomPatient
from headstock.phantom.rods import PlacedRods
from headstock.phantom.scan_spec import Tissue
from headstock.phantom.shape import Surface
from headstock.phantom.voxels import paint

__all__ = ["LESION_LABEL", "Materials", "materials_of"]

Floats = NDArray[np.float64]

FEMUR_LABEL: Final = 1
PELVIS_LABEL: Final = 2
LESION_LABEL: Final = 3

SOFT: Final = 0
PELVIC_CORTEX: Final = 1
PELVIC_SPONGY: Final = 2
CORTEX: Final = 3
SPONGY: Final = 4
RIM: Final = 5
CRESCENT: Final = 6
METAL: Final = 7
SLAB: Final = 8
_FIRST_ROD: Final = 10
_FIRST_LESION: Final = 100  # one code for each lesion of the hip under study, then those of the other

_SOFT_FIELD: Final = 0
_TRABECULAR_FIELD: Final = 1
_PELVIC_FIELD: Final = 2


@dataclass(frozen=True, slots=True, eq=False)
class _Layer:
    surface: Surface
    code: int
    over: tuple[int, ...] | None


@dataclass(frozen=True, slots=True, eq=False)
class Materials:
    """Layers in the order they are painted (LPS), and the tables of their codes (256,).

    HU of a cell: `base[code] + gain[code] * field[field_of[code]]`. `label_of`: truth label of a code.
    `lesions`: codes of the lesions of the hip under study, in the order of its bodies.
    """

    layers: tuple[_Layer, ...]
    femurs: tuple[tuple[Side, Surface], ...]
    base: NDArray[np.float32]
    gain: NDArray[np.float32]
    field_of: NDArray[np.int8]
    label_of: NDArray[np.uint8]
    lesions: tuple[int, ...]
    has_metal: bool

    def painted(self, grid: Grid) -> NDArray[np.uint8]:
        """Codes at the centres of a grid's voxels."""
        codes = np.zeros(grid.shape, dtype=np.uint8)
        for layer in self.layers:
            paint(codes, grid.index(layer.surface.vertices), layer.surface.faces, layer.code, layer.over)
        return codes

    def labels(self, grid: Grid) -> NDArray[np.uint8]:
        """Truth by voxel centre: femur, pelvis, lesion. Metal in a bone counts as the bone."""
        codes = np.zeros(grid.shape, dtype=np.uint8)
        for layer in self.layers:
            if layer.code not in (METAL, SLAB) and not _FIRST_ROD <= layer.code < _FIRST_LESION:
                paint(codes, grid.index(layer.surface.vertices), layer.surface.faces, layer.code, layer.over)
        found = self.label_of[codes]
        found.setflags(write=False)
        return found

    def near_femurs(self, blocks: Grid) -> NDArray[np.uint8]:
        """Blocks that may hold a femur's cells: 1 right, 2 left."""
        from scipy.ndimage import binary_dilation

        out = np.zeros(blocks.shape, dtype=np.uint8)
        for side, surface in self.femurs:
            mine = np.zeros(blocks.shape, dtype=np.uint8)
            paint(mine, blocks.index(surface.vertices), surface.faces, 1)
            if mine.any():
                out[binary_dilation(mine > 0, np.ones((3, 3, 3), dtype=bool))] = 1 if side is Side.RIGHT else 2
        return out

    def lesion_cells(self, codes: NDArray[np.uint8]) -> Floats:
        """Number of cells of each lesion of the hip under study."""
        return np.array([float(np.count_nonzero(codes == code)) for code in self.lesions])


def materials_of(patient: PhantomPatient, tissue: Tissue, rods: PlacedRods | None = None) -> Materials:
    """Layers and tables of a patient on CT."""
    base = np.zeros(256, dtype=np.float32)
    gain = np.zeros(256, dtype=np.float32)
    field_of = np.full(256, -1, dtype=np.int8)
    label_of = np.zeros(256, dtype=np.uint8)

    def define(code: int, value: float, label: int = 0, *, share: float = 0.0, field: int = -1) -> None:
        base[code], gain[code], field_of[code], label_of[code] = value, share, field, label

    cortex = tissue.marrow_HU + (tissue.cortex_HU - tissue.marrow_HU) * min(tissue.density, 1.0) ** 0.25
    define(SOFT, 0.0, share=1.0, field=_SOFT_FIELD)
    define(PELVIC_CORTEX, 0.85 * cortex, PELVIS_LABEL)
    define(PELVIC_SPONGY, 0.0, PELVIS_LABEL, share=1.0, field=_PELVIC_FIELD)
    define(CORTEX, cortex, FEMUR_LABEL)
    define(SPONGY, 0.0, FEMUR_LABEL, share=1.0, field=_TRABECULAR_FIELD)
    define(RIM, tissue.rim_HU, FEMUR_LABEL)
    define(CRESCENT, tissue.crescent_HU, LESION_LABEL)
    define(METAL, tissue.metal_HU)
    layers = [
        _Layer(patient.pelvis, PELVIC_CORTEX, None),
        _Layer(patient.pelvis_inside, PELVIC_SPONGY, (PELVIC_CORTEX,)),
    ]
    code, lesions = _FIRST_LESION, []
    metal = []
    for side in (patient.spec.side, patient.spec.side.other):
        hip = patient.hips[side]
        # Where a joint touches, the femur keeps its cells: both cannot have them.
        layers.append(_Layer(hip.surface_lps(hip.femur.outer), CORTEX, None))
        layers.append(_Layer(hip.surface_lps(hip.femur.canal), SPONGY, (CORTEX,)))
        layers.extend(_Layer(hip.surface_lps(body.rim), RIM, (SPONGY,)) for body in hip.bodies)
        for body in hip.bodies:
            if body.kind == "cyst":
                define(code, tissue.cyst_HU, LESION_LABEL)
            else:
                dead = (1.0 - body.density_share) * tissue.marrow_HU
                define(code, dead, LESION_LABEL, share=body.density_share, field=_TRABECULAR_FIELD)
            layers.append(_Layer(hip.surface_lps(body.body), code, (SPONGY, RIM)))
            if body.crescent is not None:
                above, below = (hip.surface_lps(s) for s in body.crescent)
                layers.append(_Layer(above, CRESCENT, (code,)))
                layers.append(_Layer(below, code, (CRESCENT,)))
            if side is patient.spec.side:
                lesions.append(code)
            code += 1
        metal += [hip.surface_lps(part) for part in hip.metal_hip_frame]
    layers += [_Layer(part, METAL, None) for part in metal]
    if rods is not None:
        define(SLAB, rods.spec.slab_HU)
        layers.append(_Layer(rods.slab, SLAB, (SOFT,)))
        for k, (rod, hu) in enumerate(zip(rods.rods, rods.HU, strict=True)):
            define(_FIRST_ROD + k, float(hu))
            layers.append(_Layer(rod, _FIRST_ROD + k, (SLAB,)))
    femurs = tuple((side, hip.surface_lps(hip.femur.outer)) for side, hip in patient.hips.items())
    return Materials(tuple(layers), femurs, base, gain, field_of, label_of, tuple(lesions), bool(metal))
