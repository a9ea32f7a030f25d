"""Outside check values held against the public functions.

In: a table (id, topic, input, expected, unit, tolerance, source, status). Out:
one `CheckResult` a row. Each topic maps to one public function in `topics.py`;
a topic nobody claims is counted and named, never passed over in silence.
"""

import csv
import io
import json
import math
import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

import numpy as np

from headstock.desk.topics import TOPICS
from headstock.errors import HeadstockError, RecordError

__all__ = ["CheckReport", "CheckResult", "own_table", "verify"]

Outcome = Literal["pass", "fail", "refused", "unknown topic"]
_COLUMNS = ("id", "topic", "input", "expected", "unit", "tolerance", "source", "status")


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One row of the table with our answer. `difference` is the largest over the parts of a pair; None for a class."""

    id: str
    topic: str
    source: str
    status: str
    expected: str
    got: str
    difference: float | None
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class CheckReport:
    """All rows, in order."""

    results: tuple[CheckResult, ...]

    @property
    def counts(self) -> dict[str, int]:
        """How many rows passed, failed, were refused, or have a topic nobody claims."""
        tally = Counter(result.outcome for result in self.results)
        return {name: tally.get(name, 0) for name in ("pass", "fail", "refused", "unknown topic")}

    @property
    def unknown_topics(self) -> dict[str, int]:
        """Topics without a function, with their number of rows."""
        return dict(sorted(Counter(r.topic for r in self.results if r.outcome == "unknown topic").items()))

    @property
    def passed(self) -> bool:
        """True when no claimed row failed or was refused."""
        return not any(r.outcome in ("fail", "refused") for r in self.results)


def own_table() -> str:
    """The table that ships with headstock."""
    return (files("headstock.desk") / "trade_checks.csv").read_text(encoding="utf-8")


def verify(table: str | None = None, topics: Mapping[str, Callable[..., Any]] = TOPICS) -> CheckReport:
    """Run a table of check values (CSV text) through the public functions.

    Raises
    ------
    RecordError
        The table lacks a column, or a row cannot be read: the row is named.
    """
    reader = csv.DictReader(io.StringIO(own_table() if table is None else table))
    absent = [name for name in _COLUMNS if name not in (reader.fieldnames or ())]
    if absent:
        raise RecordError(
            f"The table lacks the column{'s' if len(absent) > 1 else ''} {', '.join(absent)}, so its rows cannot be "
            f"checked. Its first line must be: {','.join(_COLUMNS)}."
        )
    return CheckReport(tuple(_check(row, topics) for row in reader))


def _check(row: Mapping[str, str], topics: Mapping[str, Callable[..., Any]]) -> CheckResult:
    function = topics.get(row["topic"])

    def result(got: str, difference: float | None, outcome: Outcome) -> CheckResult:
        return CheckResult(
            row["id"], row["topic"], row["source"], row["status"], row["expected"], got, difference, outcome
        )

    if function is None:
        return result("", None, "unknown topic")
    try:
        answer = function(**parse_input(row["input"]))
    except (HeadstockError, TypeError, KeyError, ValueError) as refused:
        return result(f"{type(refused).__name__}: {refused}", None, "refused")
    got = _parts(answer)
    wanted = [part.strip() for part in row["expected"].split(";")]
    difference = _largest_difference(wanted, got)
    shown = ";".join(_shown(part) for part in got)
    if row["tolerance"].strip().lower() == "exact":
        same = len(wanted) == len(got) and all(_same(w, g) for w, g in zip(wanted, got, strict=True))
        return result(shown, difference, "pass" if same else "fail")
    # The tolerance is a decimal in print; a float difference that equals it must not fail by rounding of the last bit.
    allowed = float(row["tolerance"]) * (1 + 1e-9) + 1e-12
    return result(shown, difference, "pass" if difference is not None and difference <= allowed else "fail")


def parse_input(text: str) -> dict[str, Any]:
    """`key=value; …` with numbers, JSON-like lists, yes/no, and words.

    Raises
    ------
    RecordError
        A part has no `=`.
    """
    out: dict[str, Any] = {}
    for part in filter(None, (piece.strip() for piece in re.split(r";(?![^\[]*\])", text))):
        key, equals, value = part.partition("=")
        if not equals:
            raise RecordError(f"“{part}” is not of the form key=value; correct the table's input column.")
        out[key.strip()] = _value(value.strip())
    return out


def _value(text: str) -> Any:
    if text.lower() in ("yes", "no", "true", "false"):
        return text.lower() in ("yes", "true")
    try:
        return json.loads(text)
    except json.JSONDecodeError:
        return text


def _parts(answer: Any) -> list[Any]:
    if isinstance(answer, tuple | list):
        return [part for each in answer for part in _parts(each)]
    return np.ravel(answer).tolist() if isinstance(answer, np.ndarray | np.generic) else [answer]


def _shown(part: Any) -> str:
    return f"{part:.6g}" if isinstance(part, float) else str(part)


def _number(part: Any) -> float | None:
    try:
        return float(part)
    except (TypeError, ValueError):
        return None


def _same(wanted: str, got: Any) -> bool:
    a, b = _number(wanted), _number(got)
    if a is not None and b is not None:
        return math.isclose(a, b, rel_tol=1e-12, abs_tol=1e-12)
    return wanted == str(got)


def _largest_difference(wanted: list[str], got: list[Any]) -> float | None:
    pairs = [(_number(w), _number(g)) for w, g in zip(wanted, got, strict=False)]
    if len(wanted) != len(got) or any(a is None or b is None for a, b in pairs):
        return None
    return max((abs(a - b) for a, b in pairs if a is not None and b is not None), default=None)
