"""The stock profile: how much bone, sound bone, density and wall there is at each depth along the neck axis.

In: scan, outlines, hip, lesion, density. Out: `StockProfile`, and the numbers of a cut at any depth.
Depth runs from the pole of the head sphere along the neck axis (docs/frames.md). Definitions: docs/stock.md. Errors
carried: femur's surface, rim of dead bone, pole, tilt of the neck axis, density law; each to first order in what
changes slowly (tilt, surface), draw by draw in what does not (rim, pole).
Decision: docs/decisions/0232-sections-by-first-order.md
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._lesion_grid import on_grid
from headstock.anatomy.scan._stock_stack import DEPTH_STEP_MM, Stack, neck_frame, own_section, stack_of
from headstock.anatomy.scan._stock_wall import cortex_level, wall_mm
from headstock.anatomy.scan.beside_metal import note_of, with_note
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Density, Lesion, ScanHip, StockProfile
from headstock.errors import TooFewError
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan
from headstock.images.scan_metal import MarkedShare, Metal, marked_share
from headstock.measured import Z95, Measured, exact, measured, missing
from headstock.units import Unit

__all__ = ["SOUND_SECTION_PERCENT", "CutNumbers", "cut_numbers", "profile_note", "stock_profile"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SOUND_SECTION_PERCENT: Final = (
    99.0  # definition, where no limit is given: a section is sound with this share of it sound
)
WALL_SD_MM: Final = 0.25  # common error of the wall: blur of the scan, level of the cortex
LEAST_WALL_SD_MM: Final = 0.35
LEAST_ARC_MM: Final = 6.0  # the least wall is the least mean over this length of outline
# Prior of the grey level of bone without mineral, HU, where the scan is uncalibrated: marrow of fat to water.
EMPTY_HU: Final = (-40.0, 40.0)  # mean, sd
_RAYS: Final = 48
_T_KNOTS: Final = (-0.5, 0.0, 0.25, 0.5, 0.75, 1.0, 1.5)
_TILT: Final = 0.03  # radians, step of the differences
_TILT_EVERY: Final = 2  # depths
_EDGE_MM: Final = 0.3
_HALF_WIDTH: Final = 1.9  # of the head radius: how far from the axis a section is followed
_BELOW_BASE_MM: Final = 8.0
_ABOVE_POLE_MM: Final = 8.0
_ALL: Final = "the bone in these sections"


def stock_profile(
    scan: Scan,
    seg: Segmentation,
    hip: ScanHip,
    lesion: Lesion,
    density: Density,
    *,
    sound_section_percent: float = SOUND_SECTION_PERCENT,
    last_depth_mm: float | None = None,
    metal: Metal | None = None,
) -> StockProfile:
    """Bone against depth.

    Parameters
    ----------
    sound_section_percent
        The share of a section that must be sound for the section to count as sound.
    last_depth_mm
        Where the profile ends; default a little below where the neck axis passes the shaft axis.
    metal
        Metal of the scan: what lies within reach of its streaks is marked, and said beside each number.

    Returns
    -------
    `StockProfile`. Depths start at the pole, or above it where bone stands out of the head sphere; they end where the
    section leaves the scan. Expect errors of a section under 1 % of its area at 1 mm voxels.

    Raises
    ------
    TooFewError
        No bone at the neck axis, or the scan ends above the narrowest neck.
    """
    frame = neck_frame(hip)
    radius = float(hip.head_radius[0])
    base = None if hip.base_depth is None else float(hip.base_depth[0])
    last = last_depth_mm if last_depth_mm is not None else (3.4 * radius if base is None else base + _BELOW_BASE_MM)
    first = -round(_ABOVE_POLE_MM / DEPTH_STEP_MM)
    depth: Floats = np.arange(first, round(last / DEPTH_STEP_MM) + 1, dtype=np.float64) * DEPTH_STEP_MM
    half = _HALF_WIDTH * radius
    stack = stack_of(frame, depth, half, seg, lesion, (scan.values, scan.grid))
    neck_depth = float((hip.pole[0] - hip.neck_point[0]) @ hip.neck_axis[0])
    narrowest = int(np.clip(np.searchsorted(depth, neck_depth), 0, len(depth) - 1))
    mine, joined, side_mm = own_section(stack, narrowest)
    area = _areas(stack, mine, 0.0)
    kept = _kept(stack, area, narrowest)
    # How sections and dead areas change with the surface's edge, with tilt, and with the rim.
    edge_slope = (_areas(stack, mine, _EDGE_MM) - _areas(stack, mine, -_EDGE_MM)) / (2.0 * _EDGE_MM)
    dead = np.stack([_dead(stack, mine, t) for t in _T_KNOTS]) if stack.inner_mm is not None else None
    tilt_area, tilt_dead = _tilts(stack, mine, half, seg, lesion)
    draws = _Draws.of(hip, lesion)
    section, sound_share = _batches(depth, area, edge_slope, tilt_area, dead, tilt_dead, draws)
    sound = section * sound_share
    density_rows, unit = _density(stack, mine, density, draws)
    wall, least = _walls(scan, seg, stack, mine, joined, side_mm)
    here = slice(kept[0], kept[1])
    at = depth[here]
    marked = _marked(stack, mine, metal, scan.grid)[here]
    inner = area - (dead[_T_KNOTS.index(0.0)] if dead is not None else 0.0)
    outer = area - (dead[_T_KNOTS.index(1.0)] if dead is not None else 0.0)
    return StockProfile(
        at,
        _rows(section[:, here]),
        _rows(sound[:, here]),
        np.maximum(inner[here], 0.0),
        np.maximum(outer[here], 0.0),
        density_rows[:, here],
        unit,
        wall[:, here],
        least[:, here],
        joined[here],
        _sound_from(at, sound_share[:, here], sound_section_percent, bool(lesion.parts), marked),
        np.asarray(sound_share[:, here], np.float32),
        marked,
    )


def profile_note(profile: StockProfile) -> str | None:
    """What is said beside density and wall of the whole profile; None where metal reaches none of it."""
    return _marked_note(_ALL, float(profile.marked.mean()))


@dataclass(frozen=True, slots=True, eq=False)
class CutNumbers:
    """What a cut at `depth_mm` leads to."""

    depth_mm: float
    section_mm2: Measured
    section_sound_percent: Measured
    density: Measured
    wall_mm: Measured
    least_wall_mm: Measured
    bone_above_cm3: Measured
    head_kept_percent: Measured
    joined: bool


def cut_numbers(profile: StockProfile, depth_mm: float, hip: ScanHip | None = None) -> CutNumbers:
    """The numbers of a cut square to the neck axis at any depth of the profile, between its depths by straight lines.

    `hip` is needed for the share of the head's height that stays. Where the section lies within reach of the streaks
    of metal, each number has a note.

    Raises
    ------
    TooFewError
        The depth lies outside the profile.
    """
    at = profile.depth_mm
    if not at[0] <= depth_mm <= at[-1]:
        raise TooFewError(
            f"The profile runs from {at[0]:g} to {at[-1]:g} mm below the pole; a cut at {depth_mm:g} mm is not in it. "
            "Move the cut, or use a scan that reaches farther."
        )
    source = "stock profile, square to the neck axis"
    k = int(np.clip(np.searchsorted(at, depth_mm), 1, len(at) - 1))
    share = (depth_mm - at[k - 1]) / (at[k] - at[k - 1])
    sound = (1.0 - share) * profile.draws[:, k - 1].astype(np.float64) + share * profile.draws[:, k]

    marked = (1.0 - share) * profile.marked[k - 1] + share * profile.marked[k]
    note = _marked_note("this section", float(marked))

    def between(rows: Floats, unit: Unit, what: str) -> Measured:
        value, low, high = (1.0 - share) * rows[:, k - 1] + share * rows[:, k]
        if not np.isfinite([value, low, high]).all():
            return missing(unit, source, f"There is no {what} to be measured at this depth.")
        return Measured(float(value), unit, source, float(low), float(high), note=note)

    step = float(at[1] - at[0])
    over = at <= depth_mm
    all_above = _marked_note("the bone above", _mean_marked(profile.section_mm2[0][over], profile.marked[over]))
    above = np.array([_up_to(at, row, depth_mm, step) for row in profile.section_mm2]) / 1000.0
    kept = missing("%", source, "The head's height is not known here.")
    if hip is not None:
        kept = measured(100.0 * np.clip(1.0 - depth_mm / hip.head_height, 0.0, 1.0), "%", source)
    return CutNumbers(
        depth_mm,
        between(profile.section_mm2, "mm2", "section"),
        with_note(measured(100.0 * sound, "%", source), note),
        between(profile.density, "1", "sound bone"),
        between(profile.wall_mm, "mm", "wall"),
        between(profile.least_wall_mm, "mm", "wall"),
        Measured(
            float(above[0]),
            "cm3",
            source,
            float(min(above[1], above[0])),
            float(max(above[2], above[0])),
            note=all_above,
        ),
        kept,
        bool(profile.joined[k]),
    )


def _up_to(at: Floats, section: Floats, depth: float, step: float) -> float:
    inside = at <= depth
    total = float(np.trapezoid(section[inside], at[inside])) if inside.sum() > 1 else 0.0
    rest = depth - float(at[inside][-1])
    here = float(np.interp(depth, at, section))
    # Above the first section a piece of bone up to half a step thick is left out.
    return total + 0.5 * rest * (float(section[inside][-1]) + here) + 0.25 * step * float(section[0])


def _marked(stack: Stack, mine: Mask, metal: Metal | None, grid: Grid) -> Floats:
    """(D,) share of each section that lies in metal or within reach of its streaks."""
    found = np.zeros(len(stack.depth_mm))
    if metal is None or not metal.mask.any():
        return found
    bone = mine & (stack.femur_mm < 0.0)
    for d in np.flatnonzero(bone.any(axis=(1, 2))):
        u, v = np.nonzero(bone[d])
        points = stack.frame.lps(stack.across_mm[u], stack.front_mm[v], np.full(len(u), stack.depth_mm[d]))
        found[d] = marked_share(metal, grid, points).streaks
    return found


def _mean_marked(section_mm2: Floats, marked: Floats) -> float:
    """The marked share of several sections together."""
    whole = float(section_mm2.sum())
    return float((section_mm2 * marked).sum()) / whole if whole > 0.0 else 0.0


def _marked_note(what: str, share: float, *, interval: bool = True) -> str | None:
    return note_of([(what, MarkedShare(0.0, share))], interval=interval)


def _areas(stack: Stack, mine: Mask, edge_mm: float) -> Floats:
    """(D,) section areas, partial samples by their distance to the surface."""
    step = float(np.sqrt(stack.pixel_mm2))
    share = np.clip(0.5 - (stack.femur_mm - edge_mm) / step, 0.0, 1.0)
    return np.asarray((share * mine).sum(axis=(1, 2)) * stack.pixel_mm2, np.float64)


def _dead(stack: Stack, mine: Mask, t: float) -> Floats:
    """(D,) dead area with the rim at t."""
    if stack.inner_mm is None or stack.outer_mm is None:
        return np.zeros(len(stack.depth_mm))
    step = float(np.sqrt(stack.pixel_mm2))
    rim = stack.inner_mm + np.float32(t) * (stack.outer_mm - stack.inner_mm)
    share = np.minimum(np.clip(0.5 - rim / step, 0.0, 1.0), np.clip(0.5 - stack.femur_mm / step, 0.0, 1.0))
    return np.asarray((share * mine).sum(axis=(1, 2)) * stack.pixel_mm2, np.float64)


def _kept(stack: Stack, area: Floats, narrowest: int) -> tuple[int, int]:
    """First and last (exclusive) depth of the profile: from where bone begins, at most the pole, to where the scan
    ends."""
    zero = int(np.argmin(np.abs(stack.depth_mm)))
    bone = np.flatnonzero(area > 4.0)
    if not bone.size:
        raise TooFewError("No bone lies on the neck axis. Check the outlines and the neck axis.")
    first = min(int(bone[0]), zero)
    end = len(area)
    out = np.flatnonzero(~stack.whole[zero:])
    if out.size:
        end = zero + int(out[0])
    if end <= narrowest:
        raise TooFewError(
            f"The scan ends {stack.depth_mm[end - 1]:.0f} mm below the pole, above the narrowest neck, so there is no "
            "stock profile. Use a scan that holds head and neck."
        )
    return first, end


def _tilts(stack: Stack, mine: Mask, half: float, seg: Segmentation, lesion: Lesion) -> tuple[Floats, Floats]:
    """(2, D) each: how section and dead area change by radian of tilt of the axis, medial and forward.

    The same samples belong to the neck: a tilt changes what lies in them, not whose they are. They change slowly with
    depth, so every other depth is enough.
    """
    some = slice(None, None, _TILT_EVERY)
    depth, own = stack.depth_mm[some], mine[some]
    area, dead = np.zeros((2, len(depth))), np.zeros((2, len(depth)))
    for k in range(2):
        for sign in (1.0, -1.0):
            lean = (sign * _TILT * (k == 0), sign * _TILT * (k == 1))
            turned = stack_of(stack.frame, depth, half, seg, lesion, None, tilt=lean)
            area[k] += sign * _areas(turned, own, 0.0) / (2.0 * _TILT)
            dead[k] += sign * _dead(turned, own, 0.5) / (2.0 * _TILT)
    full = stack.depth_mm
    by_area, by_dead = (np.stack([np.interp(full, depth, row) for row in rows]) for rows in (area, dead))
    return by_area, by_dead


@dataclass(frozen=True, slots=True, eq=False)
class _Draws:
    """How each draw differs from the reading: `shift` (n,) of its pole up the axis, mm; `tilt` (2, n) radians; `edge`,
    `t` (n,)."""

    shift: Floats
    tilt: Floats
    edge: Floats
    t: Floats

    @classmethod
    def of(cls, hip: ScanHip, lesion: Lesion) -> "_Draws":
        n = min(len(hip.head_radius), len(lesion.t)) if lesion.parts else len(hip.head_radius)
        axis = hip.neck_axis[0]
        shift = (hip.head_centre[:n] - hip.head_centre[0]) @ axis + hip.head_radius[:n] - hip.head_radius[0]
        medial = np.array([1.0, 0.0, 0.0]) - axis[0] * axis
        medial /= np.linalg.norm(medial)
        front = np.cross(axis, medial)
        front *= 1.0 if front[1] >= 0.0 else -1.0
        # A plane square to a turned axis: going along u it sinks by -(du of the axis) along the axis; down is -axis.
        tilt = np.stack([hip.neck_axis[:n] @ medial, hip.neck_axis[:n] @ front])
        t = lesion.t[:n] if lesion.parts else np.full(n, 0.5)
        return cls(shift, tilt, hip.edge[:n], t)


def _batches(
    depth: Floats,
    area: Floats,
    edge_slope: Floats,
    tilt_area: Floats,
    dead: Floats | None,
    tilt_dead: Floats,
    draws: _Draws,
) -> tuple[Floats, Floats]:
    """Section area (n, D) and its sound share (n, D) for every draw."""
    place = (depth[None, :] - draws.shift[:, None] - depth[0]) / (depth[1] - depth[0])
    k = np.clip(np.floor(place).astype(np.int64), 0, len(depth) - 2)
    f = np.clip(place - k, 0.0, 1.0)

    def moved(rows: Floats) -> Floats:
        return np.asarray((1.0 - f) * rows[k] + f * rows[k + 1])

    section = moved(area) + draws.edge[:, None] * edge_slope + draws.tilt.T @ tilt_area
    section = np.maximum(section, 0.0)
    if dead is None:
        return section, np.ones_like(section)
    knots = np.array(_T_KNOTS)
    j = np.clip(np.searchsorted(knots, draws.t) - 1, 0, len(knots) - 2)
    g = np.clip((draws.t - knots[j]) / (knots[j + 1] - knots[j]), 0.0, 1.0)
    lower, upper = dead[j], dead[j + 1]
    rows = np.arange(len(draws.t))[:, None]
    mixed = (1.0 - g[:, None]) * lower + g[:, None] * upper
    gone = (1.0 - f) * mixed[rows, k] + f * mixed[rows, k + 1] + draws.tilt.T @ tilt_dead
    gone = np.where(mixed[rows, k] + mixed[rows, k + 1] > 0.0, np.maximum(gone, 0.0), 0.0)
    share = np.where(section > 4.0, 1.0 - gone / np.maximum(section, 4.0), 1.0 - gone / 4.0)
    return section, np.clip(share, 0.0, 1.0)


def _rows(batch: Floats) -> Floats:
    """(3, D) value, low, high."""
    low, high = np.percentile(batch[1:], (2.5, 97.5), axis=0)
    return np.stack([batch[0], np.minimum(low, batch[0]), np.maximum(high, batch[0])])


def _density(stack: Stack, mine: Mask, density: Density, draws: _Draws) -> tuple[Floats, Literal["g/cm3", "1"]]:
    """(3, D) mean density of sound bone, or its ratio to the mean of the sound bone of head and neck."""
    if stack.grey is None:
        raise TooFewError("The stack has no grey values.")
    step = float(np.sqrt(stack.pixel_mm2))
    weight = np.clip(0.5 - stack.femur_mm / step, 0.0, 1.0) * mine
    if stack.inner_mm is not None and stack.outer_mm is not None:
        weight = weight * (1.0 - np.clip(0.5 - 0.5 * (stack.inner_mm + stack.outer_mm) / step, 0.0, 1.0))
    total = weight.sum(axis=(1, 2), dtype=np.float64)
    enough = total * stack.pixel_mm2 > 20.0
    mean = (stack.grey * weight).sum(axis=(1, 2), dtype=np.float64) / np.maximum(total, 1e-9)
    rng = np.random.default_rng([1, 9])
    n = len(draws.shift)
    if density.slope is not None and density.offset is not None:
        m = min(n, len(density.slope))
        batch = np.maximum(density.slope[:m, None] * mean + density.offset[:m, None], 0.0)
        unit: Literal["g/cm3", "1"] = "g/cm3"
    else:
        empty = np.concatenate([[EMPTY_HU[0]], EMPTY_HU[0] + EMPTY_HU[1] * rng.standard_normal(n - 1)])
        whole = float((mean[enough] * total[enough]).sum() / total[enough].sum())
        batch = np.maximum(mean[None, :] - empty[:, None], 0.0) / np.maximum(whole - empty, 1.0)[:, None]
        unit = "1"
    rows = _rows(batch)
    rows[:, ~enough] = np.nan
    return rows, unit


def _walls(
    scan: Scan, seg: Segmentation, stack: Stack, mine: Mask, joined: Mask, side_mm: float
) -> tuple[Floats, Floats]:
    """Mean and least wall (3, D) each; NaN where there is no section to go round."""
    angle = np.arange(_RAYS) * 2.0 * np.pi / _RAYS
    depths = len(stack.depth_mm)
    weight = mine & (stack.femur_mm < 0.0)
    count = np.maximum(weight.sum(axis=(1, 2)), 1)
    u0 = (weight.sum(axis=2) * stack.across_mm).sum(axis=1) / count
    v0 = (weight.sum(axis=1) * stack.front_mm).sum(axis=1) / count
    reach = np.arange(0.0, float(stack.across_mm[-1]), 0.5)
    u = u0[:, None, None] + reach * np.cos(angle)[:, None]
    v = v0[:, None, None] + reach * np.sin(angle)[:, None]
    femur = _look(stack, stack.femur_mm, u, v)
    crossing = (femur[..., :-1] < 0.0) & (femur[..., 1:] >= 0.0)
    found = crossing.any(axis=2)
    k = np.argmax(crossing, axis=2)
    a = np.take_along_axis(femur, k[..., None], axis=2)[..., 0]
    b = np.take_along_axis(femur, k[..., None] + 1, axis=2)[..., 0]
    out = reach[k] + 0.5 * np.where(found, a / np.where(found, a - b, 1.0), 0.0)
    at_u, at_v = u0[:, None] + out * np.cos(angle), v0[:, None] + out * np.sin(angle)
    # What faces the trochanter below the side plane is no outer wall of the neck.
    found &= ~(joined[:, None] & (at_u < side_mm + 1.0))
    found &= (weight.sum(axis=(1, 2)) * stack.pixel_mm2 > 60.0)[:, None]
    points = stack.frame.lps(at_u, at_v, np.broadcast_to(stack.depth_mm[:, None], at_u.shape))
    chosen = points[found]
    rows = np.full((depths, _RAYS), np.nan)
    if len(chosen):
        normal = _inward(seg, chosen)
        # Outlines lie on a crop of the scan: its grey is looked up on their voxels.
        cortex = cortex_level(on_grid(scan.values, scan.grid, seg.grid, outside=0.0), seg.femur_mm)
        rows[found] = wall_mm(scan.values, scan.grid, chosen, normal, cortex)
    held = np.isfinite(rows).sum(axis=1) >= _RAYS // 4
    mean = np.full(depths, np.nan)
    least = np.full(depths, np.nan)
    mean[held] = np.nanmean(rows[held], axis=1)
    perimeter = 2.0 * np.pi * np.sqrt(np.maximum(count * stack.pixel_mm2, 1.0) / np.pi)
    window = np.clip(np.round(LEAST_ARC_MM / perimeter * _RAYS).astype(int), 1, _RAYS // 4)
    for i in np.flatnonzero(held):
        least[i] = _least_run(rows[i], int(window[i]))
    return _around(mean, WALL_SD_MM), _around(least, LEAST_WALL_SD_MM)


def _least_run(ray: Floats, window: int) -> float:
    """Least mean over `window` neighbouring rays, round the outline."""
    doubled = np.concatenate([ray, ray[: window - 1]]) if window > 1 else ray
    windows = np.lib.stride_tricks.sliding_window_view(doubled, window)
    known = np.isfinite(windows).all(axis=1)
    if not known.any():
        return float(np.nanmin(ray))
    return float(windows[known].mean(axis=1).min())


def _around(value: Floats, sd: float) -> Floats:
    return np.stack([value, np.maximum(value - Z95 * sd, 0.0), value + Z95 * sd])


def _look(stack: Stack, field: NDArray[np.float32], u: Floats, v: Floats) -> Floats:
    """Bilinear look-up in each plane: u, v (D, ...)."""
    from scipy.ndimage import map_coordinates

    d = np.broadcast_to(np.arange(len(stack.depth_mm)).reshape(-1, *[1] * (u.ndim - 1)), u.shape)
    step = float(stack.across_mm[1] - stack.across_mm[0])
    place = np.stack([d, (u - stack.across_mm[0]) / step, (v - stack.front_mm[0]) / step])
    flat = map_coordinates(field, place.reshape(3, -1), output=np.float64, order=1, mode="nearest")
    return np.asarray(flat.reshape(u.shape))


def _inward(seg: Segmentation, points: Floats) -> Floats:
    """(N, 3) unit inward normals of the femur's surface at points on it."""
    from headstock.geometry.sections3d import sample

    step = float(seg.grid.spacing_mm.max())
    slope = np.stack(
        [
            sample(seg.femur_mm, seg.grid, points + step * e, outside=0.0)
            - sample(seg.femur_mm, seg.grid, points - step * e, outside=0.0)
            for e in np.eye(3)
        ],
        axis=1,
    )
    length = np.linalg.norm(slope, axis=1, keepdims=True)
    return np.asarray(-slope / np.maximum(length, 1e-9))


def _sound_from(at: Floats, share: Floats, percent: float, any_lesion: bool, marked: Floats) -> Measured:
    """Depth below which every section is sound; `marked` (D,) is what metal may have falsified of each."""
    source = f"stock profile: below it at least {percent:g} % of every section is sound bone"
    # Dead bone that streaks hide, or make, may lie at any depth of the profile.
    note = _marked_note(_ALL, float(marked.mean()), interval=any_lesion)
    if not any_lesion:
        begins = f"{source}; no dead bone was found, so sound bone begins at the surface"
        return with_note(exact(0.0, "mm", begins), note)
    level = percent / 100.0
    bad = share < level
    if bad[0, -1]:
        deeper = f"No depth down to {at[-1]:.0f} mm has sound sections all the way below it: dead bone goes deeper."
        return with_note(missing("mm", source, deeper), note)
    last = share.shape[1] - 1 - np.argmax(bad[:, ::-1], axis=1)
    none = ~bad.any(axis=1)
    rows = np.arange(len(share))
    nxt = np.minimum(last + 1, share.shape[1] - 1)
    a, b = share[rows, last].astype(np.float64), share[rows, nxt].astype(np.float64)
    f = np.where(b > a, (level - a) / np.where(b > a, b - a, 1.0), 1.0)
    found = at[last] + np.clip(f, 0.0, 1.0) * (at[1] - at[0])
    return with_note(measured(np.where(none, 0.0, np.maximum(found, 0.0)), "mm", source), note)
