"""Which of a job's outcomes count where a check was repeated, and what follows from them.

Book, report, history and window all go by the one rule in :func:`that_count`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TypeVar

from app.analysis.messages import PROVISOS
from app.analysis.results import Verdict
from app.job.model import MIDDLE, CheckName, Entry, Outcome, Stage, Summary, Value
from app.numbers import Unit

_Key = TypeVar("_Key")
_Result = TypeVar("_Result")


def that_count(results: Iterable[tuple[_Key, Stage, bool, _Result]]) -> dict[_Key, _Result]:
    """Return which results count, by their keys, in the order of the first of each.

    As found a drive is only once: there the first that has a number counts. Later the newest
    counts, also where it has no number: one of before says nothing of the drive as it is now.

    Parameters
    ----------
    results : iterable of (key, Stage, bool, result)
        In the order in which they were found, all of one key in one stage; whether there is a
        number.
    """
    counts: dict[_Key, _Result] = {}
    numbered: set[_Key] = set()
    for key, stage, has_number, result in results:
        if stage is not Stage.AS_FOUND or key not in numbered:
            counts[key] = result
        if has_number:
            numbered.add(key)
    return counts


def counting(outcomes: Iterable[Outcome]) -> dict[tuple[CheckName, Stage, int], Outcome]:
    """Return the outcome of each check, stage and side that counts."""
    return that_count(
        ((each.check, each.stage, each.side), each.stage, each.value is not None, each)
        for each in outcomes
    )


def summary_of(outcomes: Iterable[Outcome], stage: Stage) -> Summary:
    """Return the three numbers of the drive in one stage.

    The offset is that of the middle of the hysteresis; where that was not measured, of side 0 as
    the head stood.
    """
    counts = counting(outcomes)
    hysteresis = counts.get((CheckName.HYSTERESIS, stage, 0))
    middle = None if hysteresis is None else hysteresis.detail(MIDDLE)
    if middle is None:
        middle = _value_of(counts.get((CheckName.RADIAL, stage, 0)))
    return Summary(
        None if middle is None else replace(middle, name=""),
        _value_of(hysteresis),
        _value_of(counts.get((CheckName.SPEED, stage, 0))),
    )


def _value_of(outcome: Outcome | None) -> Value | None:
    if outcome is None or outcome.value is None:
        return None
    return Value("", outcome.value, outcome.covering_u, outcome.unit)


def hangs_on(
    outcome: Outcome, entries: Iterable[Entry], told: Callable[[str], str] = str
) -> list[str]:
    """Return in a word or two each of what an outcome's length takes for granted.

    By the notes of its readings; other numbers than lengths at the head depend on neither scale nor
    law of a detector so that it would have to stand there.

    Parameters
    ----------
    outcome : Outcome
        One of the job's.
    entries : iterable of Entry
        Of the same job.
    told : callable
        How the entries' notes are said, where not in the program's own words.
    """
    if outcome.value is None or outcome.unit not in set(Unit):
        return []
    notes = {
        note
        for entry in entries
        if (entry.check, entry.stage) == (outcome.check, outcome.stage)
        for note in entry.notes
    }
    return [words for note, words in PROVISOS.items() if told(str(note)) in notes]


def passes_as_found(outcomes: Iterable[Outcome]) -> bool:
    """Tell whether a drive's heads passed as found: where they are, and their hysteresis."""
    of_head = (CheckName.RADIAL, CheckName.HYSTERESIS)
    found = [
        each
        for each in counting(outcomes).values()
        if each.stage is Stage.AS_FOUND and each.check in of_head
    ]
    measured = {each.check for each in found}
    return CheckName.RADIAL in measured and all(each.verdict is Verdict.PASS for each in found)


def open_failures(outcomes: Iterable[Outcome]) -> tuple[Outcome, ...]:
    """Return the newest outcome of each check and side, where it failed or found nothing.

    A skipped one mends nothing.
    """
    return tuple(each for each in newest(outcomes) if _is_open(each))


def newest(outcomes: Iterable[Outcome]) -> tuple[Outcome, ...]:
    """Return the newest outcome of each check and side that was not skipped."""
    found = {
        (each.check, each.side): each for each in outcomes if each.verdict is not Verdict.SKIPPED
    }
    return tuple(found.values())


_FOUND_ALONE = (CheckName.SEATING, CheckName.PUSH)
"""Checks that are done as found and no more."""


def _is_open(outcome: Outcome) -> bool:
    if outcome.verdict is Verdict.FAIL:
        return True
    unmeasured = outcome.verdict is Verdict.UNDECIDED and outcome.value is None
    # Under a head that is far off they tell nothing, and nothing of the drive as left.
    return unmeasured and not (outcome.stage is Stage.AS_FOUND and outcome.check in _FOUND_ALONE)
