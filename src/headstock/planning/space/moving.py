"""A placement while a hand moves it: values alone, where each lies against its limit, which limit binds.

In: what `appraise_space` takes. Out: `Moved`. The reading's row is computed and no draw, which is what a hand can
wait for; intervals, places and the reserve's ends follow from `appraise_space` when the hand rests.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from headstock.implants import Catalogue, Placement
from headstock.measured import exact
from headstock.planning.appraisal import Targets
from headstock.planning.limits import Limits, State, limit_state
from headstock.planning.lines import SPACE_LINES
from headstock.planning.search import binding_words, bound_of
from headstock.planning.space.appraise import space_point_values
from headstock.planning.space.fields import SpaceHip

__all__ = ["Moved", "moved"]


@dataclass(frozen=True, slots=True)
class Moved:
    """Values by the names of their lines, in the lines' units. `states`: of those with a limit, of the value alone:
    within or outside, never near, which only an interval can tell. `binding`: the limit most broken, else the nearest.
    """

    values: Mapping[str, float]
    states: Mapping[str, State]
    binding: str


def moved(
    space: SpaceHip, placement: Placement, catalogue: Catalogue, limits: Limits, targets: Targets | None = None
) -> Moved:
    """The values of one placement.

    Raises
    ------
    FrameError, CatalogueError
        As `appraise_space`.
    """
    aim = targets or Targets()
    level = catalogue.family(placement.family).level
    found = space_point_values(space, placement, catalogue, limits, aim)
    values = {name: value for name, value in found.items() if name in SPACE_LINES}
    values["reserve_mm"] = found["reserve_longer_mm"]
    states = {}
    for name, value in values.items():
        limit = bound_of(limits, name, level, aim)
        if limit is not None:
            states[name] = limit_state(exact(value, SPACE_LINES[name].unit, limit.says), limit)
    return Moved(values, states, binding_words(values, level, limits, aim))
