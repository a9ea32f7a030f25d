"""The limits in force: the table that comes with headstock, with what this installation changed.

In: `limits.toml` and the record. Out: `Limits` as values for the rooms below,
and rows for a page. A changed limit keeps who changed it and for what source.
"""

import tomllib
from datetime import datetime
from functools import lru_cache
from importlib import resources
from typing import Final, Literal

from headstock.desk.desk import Desk
from headstock.desk.pages import LimitMark, LimitRow, LimitState
from headstock.errors import LimitError
from headstock.measured import Measured
from headstock.planning.limits import Limit, Limits, State, limit_state, parse_limits
from headstock.records import write_line
from headstock.records.people import add_limit_edit, limit_edits

__all__ = ["change_limit", "limit_mark", "limit_rows", "limits_in_force", "limits_shipped", "page_state"]

_STATES: Final[dict[State, LimitState]] = {
    State.WITHIN: "within",
    State.NEAR: "near",
    State.OUTSIDE: "outside",
    State.NOT_KNOWN: "not_known",
}
PageStatus = Literal["published", "common_practice", "from_memory", "local", "unset"]


@lru_cache(maxsize=1)
def limits_shipped() -> Limits:
    """The table that comes with headstock, without any installation's changes."""
    text = resources.files("headstock.desk").joinpath("limits.toml").read_text(encoding="utf-8")
    return parse_limits(tomllib.loads(text))


def limits_in_force(desk: Desk) -> Limits:
    """The table with this installation's changes."""
    limits = limits_shipped()
    with desk.store.session() as session:
        edits = limit_edits(session)
    for key, edit in edits.items():
        if key not in limits.by_name:
            continue  # a later version may have dropped the limit; the edit stays in the record
        limits = _edited(limits, key, edit.low, edit.high, edit.source, edit.by)
    return limits


def _edited(limits: Limits, key: str, low: float | None, high: float | None, source: str, by: str) -> Limits:
    if limits.named(key).value is not None:
        return limits.edited(key, by, source, value=low if low is not None else high)
    return limits.edited(key, by, source, low=low, high=high)


def change_limit(
    desk: Desk, key: str, *, low: float | None, high: float | None, source: str, by: str, now: datetime
) -> list[LimitRow]:
    """From now on this limit holds; of a setting, `low` is its value.

    Raises
    ------
    LimitError
        No such limit; no number; no name or source; or the two ends contradict.
    """
    limits = limits_in_force(desk)
    if low is None and high is None:
        raise LimitError("A changed limit needs a number. Give its lower end, its upper end, or both.")
    _edited(limits, key, low, high, source, by)
    with desk.store.writing() as session:
        add_limit_edit(session, key=key, low=low, high=high, source=source.strip(), by=by.strip(), now=now)
        write_line(
            session, at=now, who=by.strip(), action="limit changed", subject=key, low=low, high=high, source=source
        )
    return limit_rows(desk)


def limit_rows(desk: Desk) -> list[LimitRow]:
    """Every limit with its words, source and who edited it."""
    return [
        LimitRow(
            key=limit.name,
            label=limit.says,
            words=limit.in_words(),
            unit=limit.unit,
            source=limit.source,
            year=limit.year,
            status=page_status(limit),
            edited_by=limit.edited_by,
            low=limit.low,
            high=limit.high,
            value=limit.value,
        )
        for limit in limits_in_force(desk)
    ]


def page_status(limit: Limit) -> PageStatus:
    """The status as pages spell it."""
    status: PageStatus = limit.status.replace(" ", "_")  # type: ignore[assignment]  # the five statuses, spelt with _
    return status


def page_state(state: State) -> LimitState:
    """How a page names where a value lies against its limit."""
    return _STATES.get(state, "none")


def limit_mark(measured: Measured, limit: Limit | None, state: State | None = None) -> LimitMark | None:
    """The limit beside a number; None where no limit belongs to it."""
    if limit is None:
        return None
    found = limit_state(measured, limit) if state is None else state
    return LimitMark(
        state=page_state(found),
        low=limit.low,
        high=limit.high,
        words=limit.in_words(),
        source=limit.source or "none: the hospital decides",
        status=page_status(limit),
        edited_by=limit.edited_by,
    )
