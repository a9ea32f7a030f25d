"""What planning says of a scene: on its scan when it has one, else on its films. The one place that chooses.

In: a scene, a placement. Out: planning's own values. Nothing is computed here.
"""

from headstock.desk.scene import Scene
from headstock.errors import GuardError
from headstock.implants import Catalogue, CutLevel, Placement
from headstock.measured import Measured
from headstock.planning import comparison as on_films
from headstock.planning.appraise import Appraisal, appraise
from headstock.planning.drawing import Drawing, drawing
from headstock.planning.optimise import Best, best_placement
from headstock.planning.space.appraise import appraise_space
from headstock.planning.space.comparison import compare_space
from headstock.planning.space.drawing import drawing_in_space
from headstock.planning.space.moving import Moved, moved
from headstock.planning.space.optimise import best_in_space
from headstock.planning.space.wire import guide_in_space
from headstock.planning.wire import Guide, guide

__all__ = ["appraised", "best_at", "compared_levels", "drawn", "fits_ground", "guided", "moved_by_hand"]


def fits_ground(scene: Scene, placement: Placement) -> bool:
    """Whether a placement was made on what this scene is planned on: a place on a film is no place in space."""
    return (placement.space is not None) == (scene.scan is not None)


def _checked(scene: Scene, placement: Placement) -> None:
    if not fits_ground(scene, placement):
        here, there = ("a scan", "films") if scene.scan is not None else ("films", "a scan")
        raise GuardError(
            f"This hip is planned on {here}, and this placement was made on {there}: its place means nothing here. "
            "Find the best placement again.",
            "family unsuitable",
        )


def appraised(scene: Scene, placement: Placement, catalogue: Catalogue, *, live: bool = False) -> Appraisal:
    """Every number of a placement; `live` while it is dragged."""
    _checked(scene, placement)
    if scene.scan is not None:
        return appraise_space(scene.scan.space, placement, catalogue, scene.limits, scene.targets, live=live)
    assert scene.film is not None
    return appraise(scene.film.live if live else scene.film.prepared, placement, catalogue, scene.limits, scene.targets)


def moved_by_hand(scene: Scene, placement: Placement, catalogue: Catalogue) -> Moved:
    """Values alone of a placement on a scan.

    Raises
    ------
    GuardError
        The hip is planned on films, where the whole appraisal is quick enough for a hand, or the placement was made
        on films.
    """
    _checked(scene, placement)
    if scene.scan is None:
        raise GuardError(
            "This hip is planned on films: there the whole appraisal follows the hand. Ask for it.", "family unsuitable"
        )
    return moved(scene.scan.space, placement, catalogue, scene.limits, scene.targets)


def drawn(scene: Scene, placement: Placement, catalogue: Catalogue, *, live: bool = False) -> Drawing:
    """The picture of a placement."""
    _checked(scene, placement)
    if scene.scan is not None:
        return drawing_in_space(scene.scan.space, placement, catalogue)
    assert scene.film is not None
    return drawing(scene.film.live if live else scene.film.prepared, placement, catalogue)


def guided(scene: Scene, placement: Placement, catalogue: Catalogue) -> Guide:
    """Guide wire and cut."""
    _checked(scene, placement)
    if scene.scan is not None:
        return guide_in_space(scene.scan.space, placement, catalogue)
    assert scene.film is not None
    return guide(scene.film.prepared, placement, catalogue)


def best_at(
    scene: Scene,
    level: CutLevel,
    catalogue: Catalogue,
    *,
    family_id: str | None = None,
    size_id: str | None = None,
) -> Best:
    """The placement to start from at a level."""
    if scene.scan is not None:
        return best_in_space(
            scene.scan.space, level, catalogue, scene.limits, scene.targets, family_id=family_id, size_id=size_id
        )
    assert scene.film is not None
    return best_placement(
        scene.film.prepared, level, catalogue, scene.limits, scene.targets, family_id=family_id, size_id=size_id
    )


def compared_levels(scene: Scene, catalogue: Catalogue) -> on_films.Comparison:
    """The best placement of each level, side by side."""
    angle = _known(scene.extent.get("combined_necrotic_angle_deg"))
    depth = _known(scene.measures.get(f"{scene.state.side.value}.collapse_depth_mm"))
    if scene.scan is not None:
        return compare_space(
            scene.scan.space,
            scene.facts,
            scene.signs,
            catalogue,
            scene.limits,
            scene.targets,
            combined_angle=angle,
            collapse_depth=depth,
        )
    assert scene.film is not None
    return on_films.compare(
        scene.film.prepared,
        scene.facts,
        scene.signs,
        catalogue,
        scene.limits,
        scene.targets,
        combined_angle=angle,
        collapse_depth=depth,
    )


def _known(found: Measured | None) -> Measured | None:
    return found if found is not None and found.known else None
