"""A record of the book as a report shows it: in the unit that was chosen."""

from __future__ import annotations

from dataclasses import fields, replace

from app.book.model import JobRecord, JobSummary
from app.job.model import Entry, Summary
from app.job.units import outcome_in, value_in
from app.numbers import Unit, words_shown


def record_in(record: JobRecord, shown: Unit) -> JobRecord:
    """Return a record as it is shown."""
    if shown is Unit.UM:
        return record
    return replace(
        record,
        entries=tuple(_entry_in(each, shown) for each in record.entries),
        outcomes=tuple(outcome_in(each, shown) for each in record.outcomes),
    )


def summary_in(summary: JobSummary, shown: Unit) -> JobSummary:
    """Return a job of a drive's history as it is shown."""
    of = (_numbers_in(each, shown) for each in (summary.as_found, summary.as_left))
    found, left = of
    return replace(summary, as_found=found, as_left=left)


def _entry_in(entry: Entry, shown: Unit) -> Entry:
    values = tuple(value_in(each, shown) for each in entry.values)
    # What was entered, and not measured, is in the user's own words.
    entered = entry.track is None
    notes = entry.notes if entered else tuple(words_shown(each, shown) for each in entry.notes)
    return replace(entry, values=values, notes=notes)


def _numbers_in(numbers: Summary, shown: Unit) -> Summary:
    found = {each.name: getattr(numbers, each.name) for each in fields(numbers)}
    return Summary(**{name: value and value_in(value, shown) for name, value in found.items()})
