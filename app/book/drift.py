"""How a drive's three numbers change: by themselves from job to job, and within one job."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from app.analysis.adjust.drift import DriftFinding, drift_of
from app.analysis.results import Quantity, Verdict
from app.book.model import JobSummary
from app.job.model import CheckName, Outcome, Stage, Summary, Value
from app.job.outcomes import counting
from app.job.verdicts import CLIMATE, SCALE

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
    """

    name: str
    unit: str
    at: tuple[datetime, ...]
    values: tuple[Value, ...]
    finding: DriftFinding

    @property
    def days(self) -> int:
        """Whole days from its first job to its last."""
        return (max(self.at) - min(self.at)).days if self.at else 0

    @property
    def rate_per_year(self) -> Quantity | None:
        """Its rate, None where the jobs are too few, or the time between them too short to say."""
        return self.finding.rate_per_year if self.days >= MIN_DAYS else None


def drifts_of(past: Sequence[JobSummary]) -> tuple[Drift, ...]:
    """Return how offset, hysteresis and speed drift.

    Parameters
    ----------
    past : sequence of JobSummary
        Jobs of one drive, oldest first, all of the virtual drive or none.
    """
    return (
        _drift("offset", "µm", past, lambda summary: summary.offset_um),
        _drift("hysteresis", "µm", past, lambda summary: summary.hysteresis_um),
        _drift("speed", "rpm", past, lambda summary: summary.speed_rpm),
    )


def moment_of(text: str) -> datetime | None:
    """Return an ISO 8601 time, None where it is none; without an offset it counts as UTC."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found


def _drift(name: str, unit: str, past: Sequence[JobSummary], part: _Part) -> Drift:
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
    days = [(then - at[0]).total_seconds() / _DAY_S for then in at]
    finding = drift_of(days, [Quantity(each.value, each.u or 0.0) for each in values])
    return Drift(name, unit, tuple(at), tuple(values), finding)


def change_of(
    found: Value | None, left: Value | None, outcomes: Sequence[Outcome], check: CheckName
) -> Value | None:
    """Return the change from as found to as left, None where either is missing.

    What both have alike does not make their difference unsure: the disk's scale counts for the
    difference alone, and temperature and humidity not at all as long as they were told once.

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
    alike = _part_of_scale(budgets) ** 2 * found.value * left.value
    told = [each for each in outcomes if each.check is CheckName.CARE]
    if sum(each.verdict is not Verdict.SKIPPED for each in told) <= 1:
        alike += min(_part(outcome, CLIMATE) for outcome in budgets) ** 2
    variance = found.u**2 + left.u**2 - 2.0 * alike
    return Value("", change, max(variance, 0.0) ** 0.5, left.unit)


def _part(outcome: Outcome | None, name: str) -> float:
    budget = () if outcome is None else outcome.budget
    return next((part.value for part in budget if part.name == name), 0.0)


def _part_of_scale(outcomes: Sequence[Outcome | None]) -> float:
    """Return the relative standard uncertainty of the scale, by the largest value there is."""
    sized = [(abs(each.value), _part(each, SCALE)) for each in outcomes if each and each.value]
    value, part = max(sized, default=(1.0, 0.0))
    return part / value
