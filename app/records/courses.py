"""How a drive's three numbers go from job to job by themselves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from app.analysis.bench.drift import DriftFinding, drift_of
from app.analysis.reading import Quantity
from app.job.model import Summary, Value
from app.records.model import Past

_DAY_S = 86_400.0
_Part = Callable[[Summary], Value | None]


@dataclass(frozen=True, slots=True)
class Course:
    """One number of a drive over its jobs.

    What was adjusted is taken out: between two jobs counts the way from as left to as found.

    Attributes
    ----------
    name, unit : str
        Which number.
    at : tuple of datetime
        When its jobs were opened, in the order of the book.
    values : tuple of Value
        What it would be had nobody adjusted it since the first of them.
    drift : DriftFinding
        Its rate, and whether the newest change is larger than its uncertainty.
    """

    name: str
    unit: str
    at: tuple[datetime, ...]
    values: tuple[Value, ...]
    drift: DriftFinding


def courses_of(past: Sequence[Past]) -> tuple[Course, ...]:
    """Return the courses of offset, hysteresis and speed.

    Parameters
    ----------
    past : sequence of Past
        Jobs of one drive, oldest first, all of the virtual drive or none.
    """
    return (
        _course("offset", "µm", past, lambda summary: summary.offset_um),
        _course("hysteresis", "µm", past, lambda summary: summary.hysteresis_um),
        _course("speed", "rpm", past, lambda summary: summary.speed_rpm),
    )


def moment_of(text: str) -> datetime | None:
    """Return an ISO 8601 time, None where the text is none."""
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _course(name: str, unit: str, past: Sequence[Past], part: _Part) -> Course:
    at: list[datetime] = []
    values: list[Value] = []
    adjusted = 0.0
    for job in past:
        found, then = part(job.as_found), moment_of(job.opened_at)
        if found is not None and then is not None:
            at.append(then)
            values.append(Value(name, found.value - adjusted, found.u, unit))
        left = part(job.as_left)
        if found is not None and left is not None:
            adjusted += left.value - found.value
    days = [_days(then, at[0]) for then in at]
    drift = drift_of(days, [Quantity(each.value, each.u or 0.0) for each in values])
    return Course(name, unit, tuple(at), tuple(values), drift)


def _days(then: datetime, first: datetime) -> float:
    if (then.tzinfo is None) != (first.tzinfo is None):
        then, first = then.replace(tzinfo=None), first.replace(tzinfo=None)
    return (then - first).total_seconds() / _DAY_S
