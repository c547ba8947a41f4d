"""What has come of a job so far: its outcomes, and what follows from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from app.job.bench import MIDDLE
from app.job.model import CheckName, Outcome, Stage, Summary, Value, Verdict


def summary_of(outcomes: Sequence[Outcome], stage: Stage) -> Summary:
    """Return the three numbers of the drive in one stage.

    The offset is that of the middle of the hysteresis; where that was not measured, of side 0 as
    the head stood.
    """
    offset = hysteresis = speed = None
    for outcome in outcomes:
        if outcome.stage is not stage or outcome.value is None:
            continue
        value = Value("", outcome.value, outcome.u, outcome.unit)
        if outcome.check is CheckName.HYSTERESIS:
            hysteresis = value
        elif outcome.check is CheckName.SPEED:
            speed = value
        elif outcome.check is CheckName.RADIAL and outcome.side == 0:
            offset = value
    return Summary(_middle_in(outcomes, stage) or offset, hysteresis, speed)


def open_failures(outcomes: Iterable[Outcome]) -> tuple[Outcome, ...]:
    """Return the newest outcome of each check and side that failed; a skipped one mends nothing."""
    newest: dict[tuple[CheckName, int], Outcome] = {}
    for outcome in outcomes:
        if outcome.verdict is not Verdict.SKIPPED:
            newest[outcome.check, outcome.side] = outcome
    return tuple(each for each in newest.values() if each.verdict is Verdict.FAIL)


def _middle_in(outcomes: Sequence[Outcome], stage: Stage) -> Value | None:
    for outcome in reversed(outcomes):
        if outcome.stage is stage and outcome.check is CheckName.HYSTERESIS:
            for value in outcome.details:
                if value.name == MIDDLE:
                    return Value("", value.value, value.u, value.unit)
    return None
