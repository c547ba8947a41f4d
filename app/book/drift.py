"""How a drive's three numbers change: by themselves from job to job, and within one job."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from app.analysis.adjust.climate import CLIMATE
from app.analysis.adjust.drift import DriftFinding, drift_of
from app.analysis.budget import Part
from app.analysis.results import Quantity, Verdict
from app.book.model import JobSummary
from app.job.budget import SCALE, ZERO
from app.job.model import CheckName, Outcome, Stage, Summary, Value
from app.job.outcomes import counting

_DAY_S = 86_400.0
MIN_DAYS = 30
"""A rate a year says nothing where it is stretched from less (our choice)."""
_Part = Callable[[Summary], Value | None]


@dataclass(frozen=True, slots=True)
class Drift:
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
    finding : DriftFinding
        Its rate, and whether the newest change is larger than its uncertainty.
    is_in_order : bool
        Whether a later job has a later time: else a clock was wrong, or older jobs were imported,
        and neither the time between two jobs nor what was adjusted in it is known.
    """

    name: str
    unit: str
    at: tuple[datetime, ...]
    values: tuple[Value, ...]
    finding: DriftFinding
    is_in_order: bool = True

    @property
    def days(self) -> int:
        """Whole days from its first job to its last."""
        return (max(self.at) - min(self.at)).days if self.at else 0

    @property
    def rate_per_year(self) -> Quantity | None:
        """Its rate, None where the jobs are too few, or their times do not let it be told."""
        is_told = self.is_in_order and self.days >= MIN_DAYS
        return self.finding.rate_per_year if is_told else None


def drifts_of(past: Sequence[JobSummary]) -> tuple[Drift, ...]:
    """Return how offset, hysteresis and speed drift.

    Parameters
    ----------
    past : sequence of JobSummary
        Jobs of one drive, oldest first, all of the virtual drive or none.
    """
    return (
        _drift("offset", past, lambda summary: summary.offset_um),
        _drift("hysteresis", past, lambda summary: summary.hysteresis_um),
        _drift("speed", past, lambda summary: summary.speed_rpm),
    )


def moment_of(text: str) -> datetime | None:
    """Return an ISO 8601 time, None where it is none; without an offset it counts as UTC."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found


def _drift(name: str, past: Sequence[JobSummary], part: _Part) -> Drift:
    at: list[datetime] = []
    numbers: list[int] = []
    values: list[Value] = []
    adjusted = 0.0
    for job in past:
        found, then = part(job.as_found), moment_of(job.opened_at)
        if found is not None and then is not None:
            at.append(then)
            numbers.append(job.number)
            values.append(Value(name, found.value - adjusted, found.u, found.unit))
        left = part(job.as_left)
        if found is not None and left is not None:
            adjusted += left.value - found.value
    days = [(then - at[0]).total_seconds() / _DAY_S for then in at]
    finding = drift_of(days, [Quantity(each.value, each.u or 0.0) for each in values])
    unit = values[0].unit if values else ""
    order = sorted(range(len(at)), key=lambda place: numbers[place])
    is_in_order = all(at[before] <= at[after] for before, after in pairwise(order))
    return Drift(name, unit, tuple(at), tuple(values), finding, is_in_order)


_TOLD_ONCE = (*CLIMATE, "temperature and humidity")
"""Parts that a climate makes; the last as older books name all of them."""


def change_of(
    found: Value | None, left: Value | None, outcomes: Sequence[Outcome], check: CheckName
) -> Value | None:
    """Return the change from as found to as left, None where either is missing.

    What both have alike does not make their difference unsure: the disk's scale counts for the
    difference alone, its zero not at all, and neither do temperature and humidity as long as they
    were told once.

    Parameters
    ----------
    found, left : Value or None
        The number in both stages.
    outcomes : sequence of Outcome
        Of the job.
    check : CheckName
        Whose budget tells what the two have alike.
    """
    if found is None or left is None:
        return None
    change = left.value - found.value
    if found.u is None or left.u is None:
        return Value("", change, None, left.unit)
    counts = counting(outcomes)
    budgets = [counts.get((check, stage, 0)) for stage in (Stage.AS_FOUND, Stage.AS_LEFT)]
    before, after = (
        value.value - sum(part.value for part in _parts(outcome))
        for value, outcome in zip((found, left), budgets, strict=True)
    )
    alike = _part_of_scale(budgets) ** 2 * before * after
    told = [each for each in outcomes if each.check is CheckName.CARE]
    once = sum(each.verdict is not Verdict.SKIPPED for each in told) <= 1
    for name in (ZERO, *(_TOLD_ONCE if once else ())):
        alike += min(_part(outcome, name) for outcome in budgets) ** 2
    variance = _variance(found, budgets[0]) + _variance(left, budgets[1]) - 2.0 * alike
    return Value("", change, max(variance, 0.0) ** 0.5, left.unit)


def _variance(value: Value, outcome: Outcome | None) -> float:
    """Return a value's variance.

    Beside an expanded uncertainty u is half of what covers the value, and not a standard deviation:
    where one rectangle outweighs the rest it is less.
    """
    if outcome is None or outcome.expanded_u is None:
        return (value.u or 0.0) ** 2
    return sum(part.u**2 for part in outcome.budget)


def _parts(outcome: Outcome | None) -> tuple[Part, ...]:
    return () if outcome is None else outcome.budget


def _part(outcome: Outcome | None, name: str) -> float:
    return next((part.u for part in _parts(outcome) if part.name == name), 0.0)


def _part_of_scale(outcomes: Sequence[Outcome | None]) -> float:
    """Return the relative standard uncertainty of the scale, by the largest value there is."""
    sized = [
        (abs(each.value - sum(part.value for part in each.budget)), _part(each, SCALE))
        for each in outcomes
        if each is not None and each.value is not None
    ]
    value, part = max(sized, default=(0.0, 0.0))
    return part / value if value else 0.0
