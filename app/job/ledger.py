"""What has come of a job so far: its outcomes, and what follows from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from app.job.bench import MIDDLE
from app.job.model import CheckName, Outcome, Stage, Summary, Value, Verdict


def summary_of(outcomes: Sequence[Outcome], stage: Stage) -> Summary:
    """Return the three numbers of the drive in one stage.

    The offset is that of the middle of the hysteresis; where that was not measured, of side 0 as
    the head stood.
    """
    counts = counting(outcomes, stage)
    hysteresis = counts.get(CheckName.HYSTERESIS)
    details = () if hysteresis is None else hysteresis.details
    middle = next((replace(each, name="") for each in details if each.name == MIDDLE), None)
    return Summary(
        middle or _value_of(counts.get(CheckName.RADIAL)),
        _value_of(hysteresis),
        _value_of(counts.get(CheckName.SPEED)),
    )


def counting(outcomes: Iterable[Outcome], stage: Stage) -> dict[CheckName, Outcome]:
    """Return the outcome of each check on side 0 that counts in one stage.

    As found a drive is only once: there the first of several stands. As left the newest counts,
    also where it has no number: one of before says nothing of the drive as it is now.
    """
    counts: dict[CheckName, Outcome] = {}
    for outcome in outcomes:
        if outcome.stage is not stage or outcome.side:
            continue
        if stage is Stage.AS_LEFT:
            counts[outcome.check] = outcome
        elif outcome.value is not None:
            counts.setdefault(outcome.check, outcome)
    return counts


def _value_of(outcome: Outcome | None) -> Value | None:
    if outcome is None or outcome.value is None:
        return None
    return Value("", outcome.value, outcome.u, outcome.unit)


def open_failures(outcomes: Iterable[Outcome]) -> tuple[Outcome, ...]:
    """Return the newest outcome of each check and side, where it failed or found nothing.

    A skipped one mends nothing.
    """
    newest: dict[tuple[CheckName, int], Outcome] = {}
    for outcome in outcomes:
        if outcome.verdict is not Verdict.SKIPPED:
            newest[outcome.check, outcome.side] = outcome
    return tuple(each for each in newest.values() if _is_open(each))


def _is_open(outcome: Outcome) -> bool:
    if outcome.verdict is Verdict.FAIL:
        return True
    unmeasured = outcome.verdict is Verdict.UNDECIDED and outcome.value is None
    # Seating a disk under a head that is far off tells nothing, and nothing of the drive as left.
    return unmeasured and (outcome.check, outcome.stage) != (CheckName.SEATING, Stage.AS_FOUND)
