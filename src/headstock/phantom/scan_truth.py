"""What is true of a phantom in space, beside what its films give: version, condyles, volumes, sections, rods.

In: a `PhantomPatient`, its `ScanSpec` and grid. Out: a plain dictionary (JSON) under the names of the
supplied patients where they have one. Points LPS, mm.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.grid import Grid
from headstock.phantom.patient import PhantomHip, PhantomPatient
from headstock.phantom.rods import PlacedRods
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.truth import truth_of_patient

__all__ = ["condyles_lps_mm", "truth_of_scan", "version_deg"]

Floats = NDArray[np.float64]

_CONDYLE_HEIGHT_MM: Final = 45.0
_VERSION: Final = (
    "angle of the neck axis forward of the posterior condylar line, both seen along the shaft axis; the line touches "
    "both condyles from behind"
)


def condyles_lps_mm(hip: PhantomHip) -> tuple[Floats, Floats]:
    """Medial and lateral point (3,) where a line square to the shaft touches the condyles from behind, LPS."""
    axes = hip.femur.axes
    z = axes.shaft_axis
    x = np.array([1.0, 0.0, 0.0]) - z[0] * z
    x /= np.linalg.norm(x)
    points = hip.femur.outer.vertices
    height = points @ z
    points = points[height < height.min() + _CONDYLE_HEIGHT_MM]
    for _ in range(20):
        y = np.cross(z, x)  # anterior, right-handed
        across = points @ x
        middle = 0.5 * (across.min() + across.max())
        touching = [points[mine][int((points[mine] @ y).argmin())] for mine in (across > middle, across <= middle)]
        line = touching[0] - touching[1]
        line -= (line @ z) * z
        new = line / np.linalg.norm(line)
        if float(new @ x) > 1.0 - 1e-14:
            break
        x = new
    return hip.to_lps(touching[0]), hip.to_lps(touching[1])


def version_deg(hip: PhantomHip) -> float:
    """Femoral version: how far the neck turns forward of the posterior condylar line, seen along the shaft axis."""
    axes = hip.femur.axes
    medial, lateral = ((p - hip.centre_lps_mm) @ hip.matrix for p in condyles_lps_mm(hip))
    z = axes.shaft_axis
    x = medial - lateral
    x = x - (x @ z) * z
    x /= np.linalg.norm(x)
    return float(np.degrees(np.arctan2(axes.neck_axis @ np.cross(z, x), axes.neck_axis @ x)))


def truth_of_scan(
    patient: PhantomPatient, scan: ScanSpec, grid: Grid, rods: PlacedRods | None, lesion_mm3: tuple[float, ...]
) -> dict[str, Any]:
    """The patient's truth with that of one scan."""
    hip = patient.hip
    medial, lateral = condyles_lps_mm(hip)
    truth = truth_of_patient(patient)
    for body, volume in zip(truth["lesions"], lesion_mm3, strict=True):
        body["volume_mm3"] = round(volume, 1)
    area = hip.femur.axes.neck_section_mm2
    truth |= {
        "femoral_version_deg": round(version_deg(hip), 3),
        "femoral_version_definition": _VERSION,
        "posterior_condyles_lps_mm": {
            "medial": [round(float(v), 3) for v in medial],
            "lateral": [round(float(v), 3) for v in lateral],
        },
        "neck_diameter_mm": round(2.0 * float(np.sqrt(area / np.pi)), 3),
        "lesion_volume_cm3": round(sum(lesion_mm3) / 1000.0, 4),
        "density_law": {"slope": 0.0008, "offset": 0.0, "words": "equivalent density in g/cm³ = slope * HU + offset"},
        "ct": {
            "slices": grid.shape[0],
            "rows": grid.shape[1],
            "columns": grid.shape[2],
            "spacing_mm": [float(v) for v in grid.spacing_mm],
            "first_voxel_lps_mm": [round(float(v), 6) for v in grid.origin_mm],
            "noise_HU": scan.noise_HU,
            "blur_mm": scan.blur_mm,
            "region": scan.region,
            "condyles": scan.condyles,
        },
    }
    if rods is not None:
        truth["density_law"] |= {"slope": rods.spec.slope, "offset": rods.spec.offset}
        truth["rods"] = [
            {
                "middle_lps_mm": [round(float(v), 3) for v in middle],
                "diameter_mm": rods.spec.diameter_mm,
                "density_g_cm3": density,
                "HU": round(float(hu), 2),
            }
            for middle, density, hu in zip(rods.middles, rods.spec.densities_g_cm3, rods.HU, strict=True)
        ]
    return truth
