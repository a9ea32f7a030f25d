"""Which slices make one volume, in what order, and how they lie: from position and orientation alone.

In: slices in any order. Out: stacks whose slices lie one above another, each at its own place; strays with
their reasons; refusals where a volume would be stretched or mixed.
Source: position along the normal and pixel mapping, DICOM PS3.3 C.7.6.2.1.1.
Decisions: docs/decisions/0200-places-of-slices.md, 0201-which-slices-are-one-volume.md
"""

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import ImageError
from headstock.images._scan_slice import Slice
from headstock.images.scan import Finding

__all__ = ["Sorted", "Stack", "sort_slices"]

Floats = NDArray[np.float64]

# Definitions of the project; decision 0200 says why these.
_SQUARE: Final = 1e-3  # definition: how far two directions may be from unit length and a right angle
_SAME_DIRECTION_RAD: Final = 1e-3  # definition: slices turned less than this are parallel (0.25 mm over 250 mm)
_SAME_PLACE_MM: Final = 0.01  # definition: slices nearer than this lie at one place
_REGULAR_MM: Final = 0.06  # definition: half the last digit of a position written to 0.1 mm, rounded up
_UNEVEN_SHARE: Final = 0.25  # definition: steps this much off the usual one are resampled, beyond it refused
_STRAIGHT_MM: Final = 0.1  # definition: a stack whose slices drift less than this sideways is not tilted
_STRAY_SHARE: Final = 0.1  # definition: a group of slices below this share of the largest is set aside


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Slices of one volume, sorted along the normal.

    `axes` (3, 3): columns are the directions of growing column, row and slice, right-handed and orthonormal.
    `along_mm` (n,): place of each slice along the normal; `across_mm` (n, 2): place of its first pixel along
    columns and rows. `step_mm`: the step of the volume to be made. `even`: slices lie on regular steps.
    `straight`: they lie above one another. `called`: what tells this stack from others of its series, or "".
    """

    slices: tuple[Slice, ...]
    axes: Floats
    along_mm: Floats
    across_mm: Floats
    step_mm: float
    even: bool
    straight: bool
    called: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Sorted:
    """Stacks of a series, the largest first; what is refused (what it is, why); notes on slices set aside."""

    stacks: tuple[Stack, ...]
    refused: tuple[tuple[str, str], ...]
    aside: tuple[Finding, ...]


Pixels = Callable[[Slice], NDArray[np.generic]]


def sort_slices(slices: Sequence[Slice], pixels: Pixels) -> Sorted:
    """The volumes in a series. `pixels` gives a slice's scaled numbers, asked for only where two share a place.

    Raises
    ------
    ImageError
        No slice says where it lies, or there is but one.
    """
    aside: list[Finding] = []
    kept = _without_localizers(list(slices), aside)
    kept = _with_a_place(kept, aside)
    groups = _groups(kept)
    largest = max(len(group) for _, group in groups)
    if largest == 1:
        raise ImageError(
            f"There {'is' if len(kept) == 1 else 'are'} {_count(len(kept), 'slice')} here and no two of them parallel "
            "and alike, so there is no volume. "
            "Export the whole series."
        )
    stacks: list[Stack] = []
    refused: list[tuple[str, str]] = []
    main = groups[0][1][0]
    several = sum(not _stray(group, largest) for _, group in groups) > 1
    for called, group in groups:
        if _stray(group, largest):
            aside.append(_stray_note(group, main))
            continue
        for name, part, notes in _told_apart(group, pixels, refused):
            title = ", ".join(word for word in (called if several else "", name) if word)
            try:
                stack = _stack(part, title)
                stacks.append(replace(stack, findings=(*notes, *_place_findings(stack))))
            except ImageError as why:
                strays = sum(len(g) for _, g in groups if _stray(g, largest))
                hint = (
                    f" {_count(strays, 'picture')} of the series did not belong to it and lay apart." if strays else ""
                )
                refused.append((title or _count(len(part), "slice"), f"{why}{hint}"))
    stacks.sort(key=lambda stack: -len(stack.slices))
    return Sorted(tuple(stacks), tuple(refused), tuple(aside))


def _count(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"


def _without_localizers(slices: list[Slice], aside: list[Finding]) -> list[Slice]:
    """Slices that call themselves an overview are no part of a volume (Image Type value 3, PS3.3 C.8.2.1.1.1)."""
    found = [s for s in slices if "LOCALIZER" in s.image_type]
    if found and len(found) < len(slices):
        n = len(found)
        aside.append(
            Finding(
                "localizer",
                "note",
                f"{_count(n, 'overview picture')} (localizer) lay under the same series number and "
                f"{'was' if n == 1 else 'were'} set aside.",
            )
        )
    if found and len(found) == len(slices):
        raise ImageError(
            "This series holds only overview pictures (localizers), on which nothing is measured. "
            "Open the series of slices."
        )
    return [s for s in slices if "LOCALIZER" not in s.image_type]


def _with_a_place(slices: list[Slice], aside: list[Finding]) -> list[Slice]:
    """Slices whose position, orientation and pixel spacing are stated."""
    kept = [s for s in slices if s.position is not None and s.along is not None and s.spacing_mm is not None]
    if not kept:
        lacks = [
            words
            for words, there in (
                ("position (Image Position Patient)", any(s.position is not None for s in slices)),
                ("orientation (Image Orientation Patient)", any(s.along is not None for s in slices)),
                ("pixel spacing", any(s.spacing_mm is not None for s in slices)),
            )
            if not there
        ]
        raise ImageError(
            f"The slices do not say their {' and '.join(lacks) or 'place'}, so neither lengths nor sides can be known. "
            "Export the original series from the scanner or the archive, not a captured or reformatted copy."
        )
    for s in kept:
        assert s.along is not None
        if np.abs(s.along @ s.along.T - np.eye(2)).max() > _SQUARE:
            raise ImageError(
                "The directions of a slice's rows and columns are not of unit length and square to each other, so its "
                "header contradicts itself. Export the series again from the archive."
            )
    missing = len(slices) - len(kept)
    if missing:
        aside.append(
            Finding(
                "no_place",
                "note",
                f"{_count(missing, 'picture')} of the series did not say where {'it' if missing == 1 else 'they'} "
                f"lay and {'was' if missing == 1 else 'were'} set aside.",
            )
        )
    return kept


def _groups(slices: Sequence[Slice]) -> list[tuple[str, list[Slice]]]:
    """Slices that can be one volume by direction, size, spacing and reconstruction; the largest group first."""
    directions: list[tuple[Floats, list[Slice]]] = []
    for s in slices:
        assert s.along is not None
        for first, members in directions:
            if np.linalg.norm(s.along - first, axis=1).max() < _SAME_DIRECTION_RAD:
                members.append(s)
                break
        else:
            directions.append((s.along, [s]))
    found: list[tuple[str, list[Slice]]] = []
    for i, (_, members) in enumerate(directions):
        parts = _parted(members, lambda s: (s.rows, s.columns, tuple(round(v, 5) for v in s.spacing_mm or ()), s.made))
        for part in parts:
            words = _reconstruction_words(part[0], [p[0] for p in parts])
            if len(directions) > 1:
                words = ", ".join(w for w in (f"direction {i + 1}", words) if w)
            found.append((words, part))
    return sorted(found, key=lambda item: -len(item[1]))


def _parted(slices: Iterable[Slice], key: Callable[[Slice], Hashable]) -> list[list[Slice]]:
    parts: dict[Hashable, list[Slice]] = {}
    for s in slices:
        parts.setdefault(key(s), []).append(s)
    return list(parts.values())


def _reconstruction_words(one: Slice, all_of_them: Sequence[Slice]) -> str:
    """What tells this reconstruction from the others of its direction."""
    words = []
    if len({(s.rows, s.columns) for s in all_of_them}) > 1:
        words.append(f"{one.rows} by {one.columns} pixels")
    if len({s.spacing_mm for s in all_of_them}) > 1 and one.spacing_mm is not None:
        words.append(f"pixels of {one.spacing_mm[0]:.4g} mm")
    for i, (name, value) in enumerate(one.made):
        if len({s.made[i][1] for s in all_of_them}) > 1:
            words.append(f"{name} {value or 'not stated'}")
    return ", ".join(words)


def _stray(group: Sequence[Slice], largest: int) -> bool:
    return len(group) == 1 or len(group) < _STRAY_SHARE * largest


def _stray_note(group: Sequence[Slice], main: Slice) -> Finding:
    """Why a few slices do not belong."""
    s = group[0]
    assert s.along is not None
    assert main.along is not None
    n = len(group)
    begin, verb = _count(n, "picture"), "was" if n == 1 else "were"
    if np.linalg.norm(s.along - main.along, axis=1).max() >= _SAME_DIRECTION_RAD:
        return Finding(
            "other_direction",
            "note",
            f"{begin} under the same series number {'lies' if n == 1 else 'lie'} in another direction than the rest "
            f"and {verb} set aside.",
        )
    if (s.rows, s.columns) != (main.rows, main.columns):
        return Finding(
            "other_size",
            "note",
            f"{begin} under the same series number {'has' if n == 1 else 'have'} {s.rows} by {s.columns} pixels where "
            f"the rest have {main.rows} by {main.columns}, and {verb} set aside.",
        )
    return Finding(
        "other_reconstruction",
        "note",
        f"{begin} under the same series number {'is' if n == 1 else 'are'} of another reconstruction "
        f"({_reconstruction_words(s, (s, main))}) and {verb} set aside.",
    )


def _normal(group: Sequence[Slice]) -> Floats:
    """The three directions of a group, averaged and made square, as columns."""
    column, row = np.mean([s.along for s in group if s.along is not None], axis=0)
    normal = np.cross(column, row)
    # The nearest orthonormal directions to those written (polar decomposition), so that neither axis is preferred.
    u, _, vt = np.linalg.svd(np.column_stack([column, row, normal / np.linalg.norm(normal)]))
    return np.asarray(u @ vt)


def _places(group: Sequence[Slice]) -> list[list[Slice]]:
    """Slices grouped by place, in order along the normal."""
    axes = _normal(group)
    at = np.array([s.position for s in group]) @ axes
    order = np.lexsort((at[:, 1], at[:, 0], np.round(at[:, 2], 3)))
    places: list[list[Slice]] = []
    last: Floats | None = None
    for i in order:
        if last is not None and np.abs(at[i] - last).max() < _SAME_PLACE_MM:
            places[-1].append(group[i])
        else:
            places.append([group[i]])
        last = at[i]
    return places


def _level_is_single(places: Sequence[Sequence[Slice]], axes: Floats) -> bool:
    """Whether no two places lie at one level along the normal."""
    along = np.array([place[0].position for place in places]) @ axes[:, 2]
    return len(along) < 2 or float(np.diff(np.sort(along)).min()) >= _SAME_PLACE_MM


def _told_apart(
    group: list[Slice], pixels: Pixels, refused: list[tuple[str, str]]
) -> list[tuple[str, list[Slice], tuple[Finding, ...]]]:
    """Doubled slices dropped where they are copies, or told apart by what their headers say; else refused."""
    single, copies = _without_copies(group, pixels)
    notes: tuple[Finding, ...] = ()
    if copies:
        notes = (
            Finding(
                "doubled",
                "note",
                f"{_count(copies, 'slice')} {'was' if copies == 1 else 'were'} there twice with the same picture; "
                "each is used once.",
            ),
        )
    if _unique(single):
        return [("", single, notes)]
    used: list[int] = []
    for i in range(len(single[0].apart)):
        if len({s.apart[i][1] for s in single}) < 2:
            continue
        used.append(i)
        # One fact alone first: it makes the plainest words. Then together with those before it.
        for keys in ([i], list(used)):
            parts = _parted(single, lambda s, keys=keys: tuple(s.apart[k][1] for k in keys))  # type: ignore[misc]
            if all(_unique(part) and len(part) > 1 for part in parts):
                return [(_apart_words(part[0], keys), part, notes) for part in parts]
    sideways = _parted(single, lambda s: _beside(s, single))
    if len(sideways) > 1 and all(_unique(part) and len(part) > 1 for part in sideways):
        # Each hip reconstructed by itself, under one series number.
        return [(f"part {i + 1} of {len(sideways)}, side by side", part, notes) for i, part in enumerate(sideways)]
    along = np.sort([s.position @ _normal(single)[:, 2] for s in single if s.position is not None])
    doubled = int(np.count_nonzero(np.diff(along) < _SAME_PLACE_MM))
    refused.append(
        (
            _count(len(single), "slice"),
            f"{_count(doubled, 'slice')} {'lies' if doubled == 1 else 'lie'} at the level of another one with a "
            "different picture, and nothing in the headers tells them apart. Export one reconstruction alone.",
        )
    )
    return []


def _apart_words(s: Slice, keys: Sequence[int]) -> str:
    return ", ".join(f"{s.apart[k][0]} {s.apart[k][1] or 'not stated'}" for k in keys)


def _beside(s: Slice, group: Sequence[Slice]) -> tuple[float, ...]:
    """Where a slice's first pixel lies across the normal, to 1 mm."""
    assert s.position is not None
    return tuple(np.round((s.position @ _normal(group))[:2], 0))


def _unique(group: Sequence[Slice]) -> bool:
    """Whether every slice has its level to itself."""
    places = _places(group)
    return all(len(place) == 1 for place in places) and _level_is_single(places, _normal(group))


def _without_copies(group: list[Slice], pixels: Pixels) -> tuple[list[Slice], int]:
    """The group without slices that repeat another's place and picture, and how many those were."""
    kept: list[Slice] = []
    for place in _places(group):
        known: list[tuple[Slice, NDArray[np.generic]]] = []
        for s in place:
            if len(place) == 1:
                kept.append(s)
                continue
            mine = pixels(s)
            if not any(np.array_equal(mine, other) for _, other in known):
                known.append((s, mine))
                kept.append(s)
    return kept, len(group) - len(kept)


def _stack(group: Sequence[Slice], called: str) -> Stack:
    """The stack of slices that have their levels to themselves.

    Raises
    ------
    ImageError
        Slices are missing, too uneven, or jump sideways.
    """
    if len(group) < 2:
        raise ImageError("There is only one slice, so there is no volume. Export the whole series.")
    axes = _normal(group)
    at = np.array([s.position for s in group]) @ axes
    order = np.argsort(at[:, 2])
    at, ordered = at[order], tuple(group[i] for i in order)
    along = at[:, 2]
    steps = np.diff(along)
    usual = float(np.median(steps))
    index = np.arange(len(along))
    slope, start = np.polyfit(index, along, 1)
    off = float(np.abs(along - (start + slope * index)).max())
    # Half of a step is more than any rounding: a fine stack must not hide a hole in the tolerance.
    even = off <= min(_REGULAR_MM, 0.5 * usual)
    if not even:
        _refuse_holes(along, steps, usual)
    straight = _check_sideways(along, at[:, :2])
    return Stack(ordered, axes, along, at[:, :2].copy(), float(slope) if even else usual, even, straight, called, ())


def _refuse_holes(along: Floats, steps: Floats, usual: float) -> None:
    """Refuse steps that are not near enough to the usual one to be resampled."""
    wide = int(np.argmax(steps))
    if steps[wide] > 1.5 * usual:
        holes = int(np.count_nonzero(steps > 1.5 * usual))
        n = max(round(float(steps[wide]) / usual) - 1, 1)
        where = "" if holes == 1 else f", and there are {holes} such gaps"
        raise ImageError(
            f"Slices are missing: they follow every {usual:.3g} mm, but between {along[wide]:.1f} and "
            f"{along[wide + 1]:.1f} mm along the stack there is a gap of {steps[wide]:.3g} mm, where about {n} "
            f"should be{where}. A volume made of the rest would be stretched. Copy or export the whole series again."
        )
    worst = float(np.abs(steps - usual).max())
    if worst > _UNEVEN_SHARE * usual:
        raise ImageError(
            f"The slices are unevenly spaced: from {steps.min():.3g} to {steps.max():.3g} mm where {usual:.3g} mm is "
            f"usual. Up to {_UNEVEN_SHARE * 100:.0f} % is evened out; beyond that slices may be missing or mixed. "
            "Export one reconstruction with even spacing."
        )


def _check_sideways(along: Floats, across: Floats) -> bool:
    """True when slices lie above one another; False when they drift evenly, as under a tilted gantry.

    Raises
    ------
    ImageError
        They jump.
    """
    drift = np.polyfit(along, across, 1)
    off = float(np.abs(across - (np.outer(along, drift[0]) + drift[1])).max())
    if off > _STRAIGHT_MM:
        raise ImageError(
            f"The slices do not lie one above another on a straight line: one is {off:.3g} mm to the side of it. "
            "Two reconstructions, or a movement of the table, were stored as one series. Export one reconstruction "
            "alone."
        )
    return bool(np.abs(drift[0] * (along[-1] - along[0])).max() <= _STRAIGHT_MM)


def _place_findings(stack: Stack) -> tuple[Finding, ...]:
    """What the places of a stack's slices give to say."""
    found = []
    steps = np.diff(stack.along_mm)
    if not stack.even:
        found.append(
            Finding(
                "uneven",
                "warn",
                f"The slices are unevenly spaced ({steps.min():.3g} to {steps.max():.3g} mm). The volume was "
                f"interpolated along its slices to every {stack.step_mm:.3g} mm, which blurs it a little.",
            )
        )
    if not stack.straight:
        drift = (stack.across_mm[-1] - stack.across_mm[0]) / (stack.along_mm[-1] - stack.along_mm[0])
        tilt = float(np.degrees(np.arctan(np.hypot(*drift))))
        found.append(
            Finding(
                "tilted",
                "note",
                f"The gantry was tilted by {tilt:.1f} degrees: each slice lies a little to the side of the one before. "
                "The volume was resampled on a square grid; corners that no slice reached hold air.",
            )
        )
    thick = stack.slices[0].thickness_mm
    if thick is not None and 0.0 < thick < stack.step_mm - max(_REGULAR_MM, 0.05 * stack.step_mm):
        found.append(
            Finding(
                "slice_gap",
                "warn",
                f"Each slice is {thick:.3g} mm thick but they follow every {stack.step_mm:.3g} mm: what lies between "
                "was not imaged.",
            )
        )
    return tuple(found)
