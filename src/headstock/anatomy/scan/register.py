"""An MR scan moved onto a CT of the same hip: rigid, by mutual information, with its error where it matters.

In: CT, MR, the head (LPS, mm). Out: `Registration`: `ct = rotation @ mr + translation`, target error at the head; and
lesions carried from the MR onto the CT's outlines. Method: Mattes et al., IEEE Trans Med Imaging 2003;22:120
(SimpleITK), three resolutions, regular sampling: the same input gives the same answer. The error is what starts moved
by known amounts scatter at the head, with what known motions of phantoms left (docs/lesion.md). It is an error of the
method, not of a picture that shows another day's hip.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._lesion_grid import FAR_MM, on_grid, on_planes
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, LesionPart
from headstock.errors import AmbiguousError, FrameError
from headstock.frames import LPS_TO_HIP
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding, Scan
from headstock.measured import Measured

__all__ = ["Registration", "carried", "register"]

Floats = NDArray[np.float64]

# What known motions of phantoms left at the head, mm rms, beyond the scatter of starts (docs/lesion.md).
METHOD_ERROR_MM: Final = 0.4
_AROUND: Final = 2.6  # of the head radius: half the cube in which the two are compared
_BINS: Final = 40
_LEAST_STEP_MM: Final = 0.7
_MOST_STEP_MM: Final = 1.2
_SHRINK: Final = (4, 2, 1)
_SMOOTH_MM: Final = (3.0, 1.5, 0.0)
_SAMPLED: Final = (1.0, 0.5, 0.2)
_SEED: Final = 20  # regular samples are jittered: the same jitter every time
_STARTS: Final = 5
_MOVED_MM: Final = 3.0
_TURNED_DEG: Final = 3.0
_APART_MM: Final = 3.0  # starts that end farther apart than this at the head do not agree


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """Rigid motion from MR to CT. `rotation` (3, 3), `translation_mm` (3,): `ct = rotation @ mr + translation`, LPS.

    `target_error_mm`: root mean square distance at the head between where a point is put and where it belongs.
    `ends_mm` (starts,): how far each start ended from the one kept, rms at the head. `findings`: what was found.
    """

    rotation: Floats
    translation_mm: Floats
    target_error_mm: Measured
    ends_mm: Floats
    findings: tuple[Finding, ...] = ()

    def to_ct(self, points_mr_lps_mm: Floats) -> Floats:
        """(..., 3) MR to CT, LPS."""
        return np.asarray(np.asarray(points_mr_lps_mm) @ self.rotation.T + self.translation_mm)

    def to_mr(self, points_ct_lps_mm: Floats) -> Floats:
        """(..., 3) CT to MR, LPS."""
        return np.asarray((np.asarray(points_ct_lps_mm) - self.translation_mm) @ self.rotation)


def register(
    ct: Scan, mr: Scan, head_centre_lps_mm: NDArray[np.float64], head_radius_mm: float, *, starts: int = _STARTS
) -> Registration:
    """Move an MR scan onto a CT, compared in a cube around the head of the CT.

    Parameters
    ----------
    starts
        How many registrations from moved starts; the spread of their ends is part of the error. At least 2.

    Raises
    ------
    FrameError
        The scans do not overlap around the head.
    AmbiguousError
        Starts moved by 3 mm and 3 degrees end far apart: the two scans do not determine the motion.
    """
    centre = np.asarray(head_centre_lps_mm, np.float64)
    half = _AROUND * head_radius_mm
    fixed = _image(ct, centre, half)
    moving = _image(mr, None, 0.0)
    if not _overlap(mr, centre, head_radius_mm):
        raise FrameError(
            "The MR scan does not hold the femoral head of this CT where the CT has it. Check that both are of the "
            "same hip; where the patient lay elsewhere, place the head on the MR by a click first."
        )
    shifts = _start_motions(max(starts, 2))
    found = [_one(fixed, moving, centre, shift) for shift in shifts]
    best = int(np.argmin([value for value, _, _ in found]))
    _, rotation, translation = found[best]
    targets = centre + _ball(head_radius_mm)
    home = targets @ rotation.T + translation
    ends = np.array([np.sqrt(np.mean(np.sum((targets @ r.T + t - home) ** 2, axis=1))) for _, r, t in found])
    # `found` maps CT points to MR points (a resampling motion); the registration goes the other way.
    turn, shift_back = rotation.T, -rotation.T @ translation
    others = np.delete(ends, best)
    scatter = float(np.sqrt(np.mean(others**2) / 2.0))  # two ends differ by sqrt(2) of the error of one
    if np.median(others) > _APART_MM:
        raise AmbiguousError(
            f"Registrations of MR to CT from nearby starts end {np.median(others):.1f} mm apart at the head, so "
            "the scans do not say how one lies on the other. Outline the lesion on the CT, or use an MR scan that "
            "shows more of the hip."
        )
    return Registration(turn, shift_back, _error(scatter, len(others)), ends, _findings(scatter))


def carried(lesion: Lesion, registration: Registration, seg: Segmentation) -> Lesion:
    """A lesion of the MR on the CT's outlines; the target error widens its inner and outer estimate.

    The common error of the rim grows by half the target error: a lesion put down sideways is too far out on one side
    and too far in on the other, so that its volume hardly changes while any one place of its rim does.

    Raises
    ------
    FrameError
        The carried lesion lies outside the femur.
    """
    if not lesion.parts:
        far = np.full(seg.grid.shape, FAR_MM, np.float32)
        return Lesion(seg.grid, far, far.copy(), lesion.t, (), lesion.modality, lesion.measures, lesion.findings)
    error = registration.target_error_mm.number
    inner = _onto(lesion.inner_mm, lesion.grid, registration, seg.grid)
    outer = _onto(lesion.outer_mm, lesion.grid, registration, seg.grid)
    best = 0.5 * (inner + outer)
    near = np.abs(best) < 5.0
    if not ((best < 0.0) & (seg.femur_mm < 0.0)).any():
        raise FrameError(
            "The lesion of the MR scan comes to lie outside the femur of the CT. The scans are not of the same "
            "hip, or the registration is wrong: look at them side by side."
        )
    half = np.maximum(0.5 * (inner - outer), 0.0)
    typical = float(np.median(half[near])) if near.any() else 0.5
    wider = np.hypot(half, error)
    inside = np.maximum(best + wider, seg.femur_mm)
    beyond = np.maximum(best - wider, seg.femur_mm)
    sd_mm = np.hypot(float(np.std(lesion.t[1:])) * 2.0 * typical, 0.5 * error)
    spread = (lesion.t - 0.5) / max(float(np.std(lesion.t[1:])), 1e-9)
    t = 0.5 + spread * sd_mm / (2.0 * float(np.hypot(typical, error)))
    says = f"The lesion was seen on MR and carried onto the CT with an error of {error:.1f} mm at the head."
    return Lesion(
        seg.grid,
        inside.astype(np.float32),
        beyond.astype(np.float32),
        t,
        tuple(_moved(part, registration, seg) for part in lesion.parts),
        "MR",
        {k: v for k, v in lesion.measures.items() if k == "volume_cm3"},
        (*lesion.findings, Finding("lesion_from_mr", "note", says)),
    )


def _moved(part: LesionPart, registration: Registration, seg: Segmentation) -> LesionPart:
    """Centres stay offsets from the head until the hip is read; a rigid motion turns them."""
    from dataclasses import replace

    into = LPS_TO_HIP[seg.side]
    return replace(part, centre_hip_mm=into @ (registration.rotation @ (into.T @ part.centre_hip_mm)))


def _onto(values: NDArray[np.float32], of: Grid, registration: Registration, onto: Grid) -> Floats:
    """A distance of the MR's grid at the voxels of the CT's."""
    origin = registration.to_mr(onto.origin_mm)
    steps = registration.rotation.T @ (onto.axes * onto.spacing_mm)
    return np.asarray(on_planes(values, of, origin, steps[:, ::-1], onto.shape, FAR_MM), np.float64)


def _image(scan: Scan, centre: Floats | None, half: float) -> Any:
    """A scan as SimpleITK's image in LPS, cropped to a cube around `centre`."""
    import SimpleITK

    sitk: Any = SimpleITK
    values, grid = np.asarray(scan.values, np.float32), scan.grid
    if centre is not None:
        middle = grid.index(centre)
        size = np.array(grid.shape[::-1])
        first = np.clip(np.floor(middle - half / grid.spacing_mm).astype(int), 0, size - 1)
        last = np.clip(np.ceil(middle + half / grid.spacing_mm).astype(int) + 1, first + 1, size)
        if np.any(last - first < 8):
            raise FrameError("The head sphere does not lie in this CT, so nothing can be registered around it.")
        box = tuple(slice(int(a), int(b)) for a, b in zip(first[::-1], last[::-1], strict=True))
        values = values[box]
        grid = grid.cropped((box[0].start, box[1].start, box[2].start), values.shape)
    if np.ptp(grid.spacing_mm) > 0.05 * grid.spacing_mm.min():
        # Thick slices pull the search to places between them: both scans are compared on cubes.
        values, grid = _on_cubes(values, grid)
    if scan.modality == "CT":
        # Air and metal would take most of the histogram's bins.
        values = np.clip(values, -200.0, 1300.0)
    image = sitk.GetImageFromArray(np.ascontiguousarray(values))
    image.SetOrigin([float(v) for v in grid.origin_mm])
    image.SetSpacing([float(v) for v in grid.spacing_mm])
    image.SetDirection([float(v) for v in grid.axes.ravel()])
    return image


def _on_cubes(values: NDArray[np.float32], grid: Grid) -> tuple[NDArray[np.float32], Grid]:
    """The same volume on voxels of equal sides, by linear look-up."""
    step = float(np.clip(grid.spacing_mm.min(), _LEAST_STEP_MM, _MOST_STEP_MM))
    shape = tuple(int(v) for v in np.floor((np.array(grid.shape) - 1) * grid.spacing_mm[::-1] / step + 1e-6) + 1)
    cubes = Grid(grid.origin_mm, grid.axes, np.full(3, step), (shape[0], shape[1], shape[2]))
    return on_grid(values, grid, cubes, outside=float(values.min())).astype(np.float32), cubes


def _overlap(mr: Scan, centre: Floats, radius: float) -> bool:
    """At least half of the head's sphere lies in the MR."""
    index = mr.grid.index(centre + _ball(radius))
    inside = np.all((index >= 0.0) & (index <= np.array(mr.grid.shape[::-1]) - 1.0), axis=-1)
    return bool(inside.mean() >= 0.5)


def _ball(radius: float) -> Floats:
    """Targets over the head: points of a ball, by radii and a Fibonacci lattice."""
    i = np.arange(100) + 0.5
    z = 1.0 - 2.0 * i / 100
    turn = np.pi * (1.0 + 5.0**0.5) * i
    across = np.sqrt(1.0 - z**2)
    unit = np.stack([across * np.cos(turn), across * np.sin(turn), z], axis=1)
    return np.asarray(radius * unit * ((np.arange(100) % 5 + 1) / 5.0)[:, None])


def _start_motions(count: int) -> Floats:
    """(count, 6) rotations (radians) and shifts (mm) of the starts: none, then corners of a cube far from each
    other."""
    corners = np.array(
        [
            [0, 0, 0, 0, 0, 0],
            [1, 1, 1, 1, 1, 1],
            [-1, -1, 1, 1, -1, -1],
            [1, -1, -1, -1, 1, -1],
            [-1, 1, -1, -1, -1, 1],
            [1, 1, -1, -1, 1, 1],
            [-1, -1, -1, 1, 1, -1],
        ],
        np.float64,
    )
    chosen = corners[np.arange(count) % len(corners)]
    return np.asarray(chosen * np.array([np.radians(_TURNED_DEG)] * 3 + [_MOVED_MM] * 3))


def _one(fixed: Any, moving: Any, centre: Floats, start: Floats) -> tuple[float, Floats, Floats]:
    """One registration: (metric, rotation, translation) of `mr = rotation @ ct + translation`."""
    import SimpleITK

    sitk: Any = SimpleITK
    motion = sitk.Euler3DTransform()
    motion.SetCenter([float(v) for v in centre])
    motion.SetRotation(*[float(v) for v in start[:3]])
    motion.SetTranslation([float(v) for v in start[3:]])
    run = sitk.ImageRegistrationMethod()
    # One thread: sums in a fixed order, so that the same scans give the same motion.
    run.SetNumberOfThreads(1)
    run.SetNumberOfWorkUnits(1)
    run.SetMetricAsMattesMutualInformation(numberOfHistogramBins=_BINS)
    run.SetMetricSamplingStrategy(run.REGULAR)
    run.SetMetricSamplingPercentagePerLevel(list(_SAMPLED), _SEED)
    run.SetInterpolator(sitk.sitkLinear)
    run.SetShrinkFactorsPerLevel(list(_SHRINK))
    run.SetSmoothingSigmasPerLevel(list(_SMOOTH_MM))
    run.SmoothingSigmasAreSpecifiedInPhysicalUnitsOn()
    run.SetOptimizerAsRegularStepGradientDescent(
        learningRate=1.5, minStep=5e-3, numberOfIterations=120, relaxationFactor=0.6, gradientMagnitudeTolerance=1e-6
    )
    run.SetOptimizerScalesFromPhysicalShift()
    run.SetInitialTransform(motion, inPlace=True)
    run.Execute(fixed, moving)
    rotation = np.array(motion.GetMatrix()).reshape(3, 3)
    translation = np.array(motion.GetTranslation()) + centre - rotation @ centre
    return float(run.GetMetricValue()), rotation, translation


def _error(scatter_mm: float, others: int) -> Measured:
    """Target error with the interval that the number of starts leaves (chi-square), the method's own error included."""
    from scipy.stats import chi2

    free = 3 * others
    low, high = np.sqrt(free / chi2.ppf([0.975, 0.025], free))
    source = (
        "registration of MR to CT by mutual information (Mattes 2003): spread of registrations from moved starts "
        "at the head, with what known motions of phantoms leave"
    )
    value = float(np.hypot(scatter_mm, METHOD_ERROR_MM))
    return Measured(
        value,
        "mm",
        source,
        float(min(np.hypot(scatter_mm * low, 0.5 * METHOD_ERROR_MM), value)),
        float(max(np.hypot(scatter_mm * high, 1.6 * METHOD_ERROR_MM), value)),
    )


def _findings(scatter_mm: float) -> tuple[Finding, ...]:
    if scatter_mm <= 1.0:
        return ()
    says = (
        f"Registrations of MR to CT from nearby starts end {scatter_mm:.1f} mm apart at the head: the lesion's "
        "place on the CT is known no better than that. Look at both scans side by side."
    )
    return (Finding("registration_loose", "warn", says),)
