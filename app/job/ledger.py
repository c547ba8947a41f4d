"""What has come of a job so far: its outcomes, and what follows from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from app.job.bench import MIDDLE
from app.job.model import CheckName, Outcome, Stage, Summary, Value, Verdict


def summary_of(outcomes: Sequence[Outcome], stage: Stage) -> Summary:
    """Return the three numbers of the drive in one stage.

    As found a drive is only once: there the first of several stands, else the newest.
    The offset is that of the middle of the hysteresis; where that was not measured, of side 0 as
    the head stood.
    """
    found: dict[str, Value] = {}
    # The last one taken stands.
    for outcome in reversed(outcomes) if stage is Stage.AS_FOUND else outcomes:
        if outcome.stage is not stage or outcome.value is None:
            continue
        value = Value("", outcome.value, outcome.u, outcome.unit)
        if outcome.check is CheckName.HYSTERESIS:
            found["hysteresis"] = value
            for each in outcome.details:
                if each.name == MIDDLE:
                    found["middle"] = replace(each, name="")
        elif outcome.check is CheckName.SPEED:
            found["speed"] = value
        elif outcome.check is CheckName.RADIAL and outcome.side == 0:
            found["offset"] = value
    offset = found.get("middle") or found.get("offset")
    return Summary(offset, found.get("hysteresis"), found.get("speed"))


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
