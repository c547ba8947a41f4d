"""How far the drive's numbers have changed within a job, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence

from app.job.budgets import CLIMATE, SCALE
from app.job.ledger import counting
from app.job.model import CheckName, Outcome, Stage, Value, Verdict


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
    budgets = [counting(outcomes, stage).get(check) for stage in (Stage.AS_FOUND, Stage.AS_LEFT)]
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
    sized = [each for each in outcomes if each is not None and each.value]
    if not sized:
        return 0.0
    largest = max(sized, key=lambda each: abs(each.value or 0.0))
    return _part(largest, SCALE) / abs(largest.value or 1.0)
