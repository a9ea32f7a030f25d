"""Cut levels, placements and what they lead to. Limits come in as values; nothing is ranked.

Also public, under the name of their own module: `appraise.appraise`,
`drawing.drawing`, `reserve.reserve`; cup.py and motion.py hold their formulas.
"""

from headstock.planning.appraise import Appraisal, AppraisalLine, Targets, point_values
from headstock.planning.comparison import Comparison, Course, LevelComparison, compare, course_of
from headstock.planning.drawing import Drawing, SeatRun, ViewDrawing, pose_on_lateral
from headstock.planning.limits import Limit, Limits, State, limit_state, parse_limits
from headstock.planning.lines import LINES, LineSpec
from headstock.planning.optimise import Best, Binding, best_placement, bindings
from headstock.planning.prepared import PreparedHip, PreparedView, prepare
from headstock.planning.reserve import Reserve, ReserveEnd
from headstock.planning.wire import Guide, guide

__all__ = [
    "LINES",
    "Appraisal",
    "AppraisalLine",
    "Best",
    "Binding",
    "Comparison",
    "Course",
    "Drawing",
    "Guide",
    "LevelComparison",
    "Limit",
    "Limits",
    "LineSpec",
    "PreparedHip",
    "PreparedView",
    "Reserve",
    "ReserveEnd",
    "SeatRun",
    "State",
    "Targets",
    "ViewDrawing",
    "best_placement",
    "bindings",
    "compare",
    "course_of",
    "guide",
    "limit_state",
    "parse_limits",
    "point_values",
    "pose_on_lateral",
    "prepare",
]
