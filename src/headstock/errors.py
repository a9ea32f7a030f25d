"""The tree of refusals.

Every message says what was found, why that stops us, and what to do next. The
same words are shown by the command line and by the browser, so they name no
patient and no path.

    HeadstockError
    ├── ImageError          the file is not an image we can read safely
    ├── CalibrationError    no scale, or one that cannot be true
    ├── FrameError          values of two frames, sides or images were mixed
    ├── TooFewError         not enough points, sizes or draws for an answer
    ├── AmbiguousError      the evidence supports two answers; a person must say
    ├── CatalogueError      a family file does not satisfy its schema
    ├── LimitError          a limit is missing, unset or contradicts itself
    ├── RecordError         the record refuses: not found, stale, broken chain
    └── GuardError          a safety guard stands in the way of this step
"""

__all__ = [
    "AmbiguousError",
    "CalibrationError",
    "CatalogueError",
    "FrameError",
    "GuardError",
    "HeadstockError",
    "ImageError",
    "LimitError",
    "RecordError",
    "TooFewError",
]


class HeadstockError(Exception):
    """A refusal: found, why it stops us, what to do."""


class ImageError(HeadstockError):
    """The file is not an image that can be read safely."""


class CalibrationError(HeadstockError):
    """There is no scale, or one that cannot be true."""


class FrameError(HeadstockError):
    """Values of two frames, sides or images were mixed."""


class TooFewError(HeadstockError):
    """There are not enough points, sizes or draws for an answer."""


class AmbiguousError(HeadstockError):
    """The evidence supports more than one answer; a person must say which."""


class CatalogueError(HeadstockError):
    """A component family file does not satisfy its schema."""


class LimitError(HeadstockError):
    """A limit is missing, unset, or contradicts itself."""


class RecordError(HeadstockError):
    """The record refuses: not found, superseded, or its chain is broken."""


class GuardError(HeadstockError):
    """A safety guard stands in the way of this step.

    `guard` is the guard's name as docs/hazards.md spells it.
    """

    def __init__(self, message: str, guard: str) -> None:
        super().__init__(message)
        self.guard = guard
