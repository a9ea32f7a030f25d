"""Placements on a hip read from a scan: the same lines, limits and comparison as on films, in three dimensions."""

from headstock.planning.space.appraise import appraise_space, space_point_values
from headstock.planning.space.comparison import compare_space
from headstock.planning.space.drawing import drawing_in_space, neck_drawing_in_space
from headstock.planning.space.fields import BoneVoxels, SpaceHip, prepare_space
from headstock.planning.space.optimise import at_cut, best_in_space
from headstock.planning.space.view import SpaceView, space_view
from headstock.planning.space.wire import guide_in_space

__all__ = [
    "BoneVoxels",
    "SpaceHip",
    "SpaceView",
    "appraise_space",
    "at_cut",
    "best_in_space",
    "compare_space",
    "drawing_in_space",
    "guide_in_space",
    "neck_drawing_in_space",
    "prepare_space",
    "space_point_values",
    "space_view",
]
