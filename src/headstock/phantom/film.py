"""Films of a phantom: the beam of each view, and the picture it makes.

In: a `PhantomPatient` and a `FilmSpec`. Out: `PhantomFilm`: stored pixels (12 bits,
bright is dense) with their truth. Attenuation along each ray is exact for the
surfaces; soft tissue, gas, scatter, blur, grain and the grey curve are invented to look
like a digital film, and carry no measure.
Decision: docs/decisions/0110-surfaces-not-voxels.md
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.images.drr import WATER_PER_MM
from headstock.phantom.beam import Beam, path_length_mm
from headstock.phantom.femur import smoothstep
from headstock.phantom.lesion import ball
from headstock.phantom.letters import stamp
from headstock.phantom.patient import PhantomHip, PhantomPatient
from headstock.phantom.spec import FilmSpec
from headstock.phantom.truth import ball_centre_lps_mm, truth_of_film
from headstock.phantom.views import beam_of

__all__ = ["PhantomFilm", "render", "render_ap", "render_lateral"]

Floats = NDArray[np.float64]

# Linear attenuation at 60 keV as for water (`images/drr.py`), per mm: cortical bone 0.0604 (0.315 cm2/g at 1.92 g/cm3;
# from memory of the usual tables). Bone counts over the tissue it replaces.
_CORTEX: Final = 0.0604 - WATER_PER_MM
_SPONGY: Final = 0.24 * _CORTEX  # bone fills about a quarter of trabecular bone; common practice, no source
_CORE: Final = 0.10 * _CORTEX
_PELVIC_SPONGY: Final = 0.20 * _CORTEX
_RIM: Final = 0.55 * _CORTEX
_METAL: Final = 0.35
_QUANTA_PER_MM2: Final = 1.6e6  # at the detector without a patient
_SCATTER: Final = 0.35  # scattered over direct light behind a grid, mean
_GRAIN: Final = 0.055  # standard deviation of the trabecular texture, as a share of trabecular attenuation
_EVENED: Final = 0.78  # share of the slow soft-tissue brightness taken out before display
_WHITE: Final = 2.05  # attenuation, over what is evened out, that shows as white
_TOP: Final = 4095


@dataclass(frozen=True, slots=True, eq=False)
class PhantomFilm:
    """A film with its truth. `pixels` (rows, columns) uint16, 12 bits, bright is dense."""

    pixels: NDArray[np.uint16]
    spec: FilmSpec
    beam: Beam
    truth: dict[str, Any]


def _blurred(image: Floats, sigma_px: float) -> Floats:
    """Gaussian blur; a wide one is done on a coarser grid, where it costs little and looks the same."""
    from scipy.ndimage import gaussian_filter

    step = int(sigma_px // 3.0)
    if step < 2:
        return np.asarray(gaussian_filter(image, sigma_px))
    rows, columns = image.shape
    padded = np.pad(image, ((0, -rows % step), (0, -columns % step)), mode="edge")
    coarse = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step).mean(axis=(1, 3))
    return _enlarged(gaussian_filter(coarse, sigma_px / step, mode="nearest"), step, rows, columns)


def _enlarged(coarse: Floats, step: int, rows: int, columns: int) -> Floats:
    """A coarse image whose samples stand for blocks of `step` pixels, interpolated to (rows, columns)."""
    from scipy.ndimage import zoom

    return np.asarray(zoom(coarse, step, order=1, grid_mode=True, mode="nearest")[:rows, :columns])


def _coarse_places(beam: Beam, through: Floats, step: int) -> Floats:
    """Points (rows / step, columns / step, 3) at the middle of blocks of pixels, on a plane through a point."""
    columns = np.arange(-(-beam.columns // step)) * step + 0.5 * (step - 1)
    rows = np.arange(-(-beam.rows // step)) * step + 0.5 * (step - 1)
    return beam.back_to_plane(np.stack(np.meshgrid(columns, rows), axis=-1), through)


def _bone(patient: PhantomPatient, beam: Beam, hips: tuple[PhantomHip, ...], grain: Floats) -> Floats:
    """Attenuation of bone and lesions over soft tissue, (rows, columns)."""
    per_mm = float(beam.magnification(patient.hip.centre_lps_mm)) / beam.pixel_mm
    pelvis = path_length_mm(beam, (patient.pelvis,))
    inside = path_length_mm(beam, (patient.pelvis_inside,))
    total = _CORTEX * (pelvis - inside) + _PELVIC_SPONGY * inside * (1.0 + 0.6 * grain)
    for hip in hips:
        outer, canal, spongy, core = (
            path_length_mm(beam, (hip.surface_lps(part),))
            for part in (hip.femur.outer, hip.femur.canal, hip.femur.spongy, hip.femur.core)
        )
        # Trabecular density has no edge of its own; cut it to the canal's outline after blurring.
        room = np.maximum(canal, 0.0)
        spongy = np.minimum(_blurred(spongy, 1.5 * per_mm), room)
        core = np.minimum(_blurred(core, 4.0 * per_mm), room)
        total += _CORTEX * (outer - canal) + (_SPONGY * spongy + _CORE * core) * (1.0 + grain)
        for body in hip.bodies:
            dead = path_length_mm(beam, (hip.surface_lps(body.body),))
            rim = path_length_mm(beam, (hip.surface_lps(body.rim),))
            total += _RIM * _blurred(rim - dead, 0.25 * per_mm)
            total -= (1.0 - body.density_share) * (_SPONGY + 0.7 * _CORE) * dead
            if body.crescent is not None:
                above, below = (path_length_mm(beam, (hip.surface_lps(s),)) for s in body.crescent)
                total -= 0.9 * (_SPONGY + _CORE) * np.maximum(above - below, 0.0)
    return total


_COARSE: Final = 4  # soft tissue is smooth: one sample for 4 x 4 pixels


def _soft_tissue_ap(patient: PhantomPatient, beam: Beam, spec: FilmSpec) -> Floats:
    """Thickness of soft tissue along the central direction, one value for `_COARSE` pixels, mm: trunk, thighs, gas."""
    left, right = patient.hips[Side.LEFT], patient.hips[Side.RIGHT]
    middle = 0.5 * (left.centre_lps_mm + right.centre_lps_mm)
    at = _coarse_places(beam, middle, _COARSE)
    x, z = at[..., 0] - middle[0], at[..., 2] - middle[2]
    fat = spec.body_mm / 210.0
    half = (150.0 + 26.0 * smoothstep(-z, -110.0, 20.0)) * fat**0.7 + 14.0
    trunk = spec.body_mm * np.maximum(1.0 - np.abs(x / half) ** 2.8, 0.0) ** (1.0 / 2.8)
    trunk *= smoothstep(z, -125.0, -55.0)
    both = trunk**5
    for hip in (left, right):
        a, b = (hip.to_lps(p) for p in hip.femur.axes.shaft_points)
        share = (at[..., 2] - a[2]) / (b[2] - a[2])
        shaft_x = a[0] + share * (b[0] - a[0]) - middle[0]
        inward = -np.sign(a[0] - middle[0]) * 10.0
        width = (84.0 + 10.0 * smoothstep(z, -190.0, -60.0)) * fat**0.6
        thigh = 0.84 * spec.body_mm * np.sqrt(np.maximum(1.0 - ((x - shaft_x - inward) / width) ** 2, 0.0))
        both = both + (thigh * (1.0 - smoothstep(z, -40.0, 60.0))) ** 5
    return np.asarray(np.maximum(both**0.2 - _gas_mm(x, z, beam, spec.seed), 0.0))


def _gas_mm(x: Floats, z: Floats, beam: Beam, seed: int) -> Floats:
    """Bowel gas in front of the sacrum, mm of missing tissue; `x` and `z` from the middle of the heads."""
    rng = np.random.default_rng([seed, 17])
    gas = np.zeros(x.shape)
    for _ in range(5):
        cx, cz, heading = rng.uniform(-80.0, 80.0), rng.uniform(45.0, 150.0), rng.uniform(0.0, 2.0 * np.pi)
        # A loop of bowel: a chain of overlapping bubbles along a bent line.
        for _ in range(int(rng.integers(2, 6))):
            a, b = rng.uniform(8.0, 15.0), rng.uniform(7.0, 11.0)
            u = (x - cx) * np.cos(heading) + (z - cz) * np.sin(heading)
            v = -(x - cx) * np.sin(heading) + (z - cz) * np.cos(heading)
            bubble = rng.uniform(10.0, 22.0) * np.sqrt(np.maximum(1.0 - (u / a) ** 2 - (v / b) ** 2, 0.0))
            gas = np.maximum(gas, bubble)
            cx, cz = cx + 1.4 * a * np.cos(heading), cz + 1.4 * a * np.sin(heading)
            heading += rng.uniform(-0.8, 0.8)
    return _blurred(gas, 1.5 / (beam.pixel_mm * _COARSE))


def _soft_tissue_lateral(patient: PhantomPatient, beam: Beam, spec: FilmSpec) -> Floats:
    """Thickness of soft tissue on a lateral film, one value for `_COARSE` pixels, mm: thigh, buttock, air in front."""
    centre = patient.hip.centre_lps_mm
    at = _coarse_places(beam, centre, _COARSE)
    u, posterior = (at - centre) @ beam.along_row, (at - centre) @ beam.along_column
    fat = spec.body_mm / 210.0
    half = (88.0 + 10.0 * smoothstep(u, -120.0, 30.0)) * fat**0.7
    middle = 22.0 - 4.0 * smoothstep(u, -60.0, 60.0)
    depth = 1.05 * spec.body_mm * (0.72 + 0.28 * smoothstep(u, -120.0, 40.0))
    return np.asarray(depth * np.sqrt(np.maximum(1.0 - (np.abs(posterior - middle) / half) ** 2.4, 0.0)))


def _grain(beam: Beam, per_mm: float, seed: int) -> Floats:
    """Trabecular texture, mean 0: a band of noise, a little drawn out along the shaft, (rows, columns)."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng([seed, 29])
    white = rng.standard_normal((beam.rows, beam.columns), dtype=np.float32)
    fine = gaussian_filter(white, (0.38 * per_mm, 0.26 * per_mm), truncate=3.0)
    coarse = gaussian_filter(white, (1.0 * per_mm, 0.9 * per_mm), truncate=2.5)
    band = fine - coarse
    return np.asarray(_GRAIN * band / max(float(band.std()), 1e-9), dtype=np.float64)


def _measured_light(direct: Floats, beam: Beam, spec: FilmSpec, rng: np.random.Generator) -> Floats:
    """Light with scatter, blur and quantum noise, as a share of the open beam."""
    from scipy.ndimage import gaussian_filter

    veil = _blurred(direct, 25.0 / beam.pixel_mm)
    veil = veil / (1.0 + veil / 0.03)  # the bright surround scatters no light into the middle of the body
    light = gaussian_filter(direct, 0.16 / beam.pixel_mm, truncate=3.0) + _SCATTER * veil
    if spec.noise > 0.0:
        quanta = _QUANTA_PER_MM2 * beam.pixel_mm**2
        noise = rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(light / quanta)
        # Blurred over neighbours by the detector; 1.6 gives the standard deviation back.
        light = light + spec.noise * 1.6 * gaussian_filter(noise, 0.45, truncate=3.0)
    return np.maximum(light, 1e-7)


def render(patient: PhantomPatient, spec: FilmSpec) -> PhantomFilm:
    """The film that `spec` takes of this patient, with its truth. Deterministic by `spec.seed`."""
    beam = beam_of(patient, spec)
    lateral = spec.view == "lateral_hip"
    hips = (patient.hip,) if lateral else tuple(patient.hips.values())
    per_mm = float(beam.magnification(patient.hip.centre_lps_mm)) / beam.pixel_mm
    total = _bone(patient, beam, hips, _grain(beam, per_mm, spec.seed))
    coarse = WATER_PER_MM * (_soft_tissue_lateral if lateral else _soft_tissue_ap)(patient, beam, spec)
    total += _enlarged(coarse, _COARSE, beam.rows, beam.columns)
    metal = [hip.surface_lps(part) for hip in hips for part in hip.metal_hip_frame]
    if spec.ball_mm is not None:
        metal.append(ball(ball_centre_lps_mm(patient, spec), 0.5 * spec.ball_mm, rounds=5))
    if metal:
        total += _METAL * path_length_mm(beam, tuple(metal))
    rng = np.random.default_rng([spec.seed, 41])
    light = _measured_light(np.exp(-total), beam, spec, rng)
    # Readers see films with the slow brightness of soft tissue evened out; the known tissue does that without halos.
    even = _enlarged(_blurred(coarse, 6.0 / (beam.pixel_mm * _COARSE)), _COARSE, beam.rows, beam.columns)
    grey = np.maximum(-np.log(light) - _EVENED * even, 0.0) / _WHITE
    pixels = _TOP * grey / (1.0 + grey**6) ** (1.0 / 6.0)
    if spec.letters:
        stamp(pixels, patient, spec, beam, 0.985 * _TOP)
    return PhantomFilm(np.round(pixels).astype(np.uint16), spec, beam, truth_of_film(patient, spec))


def render_ap(patient: PhantomPatient, spec: FilmSpec | None = None) -> PhantomFilm:
    """An AP film of the pelvis (or of one hip, when `spec.view` says so)."""
    return render(patient, spec or FilmSpec())


def render_lateral(patient: PhantomPatient, spec: FilmSpec | None = None) -> PhantomFilm:
    """A lateral film of the hip under study, the beam across the table at right angles to the neck."""
    return render(patient, spec or FilmSpec(view="lateral_hip", rows=1000, columns=1000))
