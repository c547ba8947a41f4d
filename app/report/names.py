"""Names and units of a record, fit to stand among a report's own words.

The program's are; those of a job that was imported are whatever its file has.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace

from app.analysis.budget import Part
from app.book.model import JobRecord, JobSummary
from app.job.model import Entry, Limit, Outcome, Summary, Value
from app.report.blocks import clean

_MOST_NAME, _MOST_UNIT = 120, 24


def record_named(record: JobRecord) -> JobRecord:
    """Return a record whose values' names and units disturb nothing around them."""
    return replace(
        record,
        entries=tuple(map(_entry, record.entries)),
        outcomes=tuple(map(_outcome, record.outcomes)),
    )


def summary_named(summary: JobSummary) -> JobSummary:
    """Return a job of a drive's history likewise."""
    found, left = map(_numbers, (summary.as_found, summary.as_left))
    return replace(summary, as_found=found, as_left=left)


def _entry(entry: Entry) -> Entry:
    return replace(entry, values=_values(entry.values))


def _outcome(outcome: Outcome) -> Outcome:
    return replace(
        outcome,
        unit=_unit(outcome.unit),
        limit=outcome.limit and _limit(outcome.limit),
        details=_values(outcome.details),
        budget=tuple(map(_part, outcome.budget)),
    )


def _limit(limit: Limit) -> Limit:
    return replace(limit, unit=_unit(limit.unit))


def _values(values: Iterable[Value]) -> tuple[Value, ...]:
    return tuple(map(_value, values))


def _value(value: Value) -> Value:
    return replace(value, name=_name(value.name), unit=_unit(value.unit))


def _part(part: Part) -> Part:
    return replace(part, name=_name(part.name), unit=_unit(part.unit))


def _numbers(numbers: Summary) -> Summary:
    found = {each.name: getattr(numbers, each.name) for each in fields(numbers)}
    return Summary(**{name: value and _value(value) for name, value in found.items()})


def _name(text: str) -> str:
    return clean(text, _MOST_NAME)


def _unit(text: str) -> str:
    return clean(text, _MOST_UNIT)
