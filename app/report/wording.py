"""What the book keeps in the program's English, said in the language that is in force.

What a user wrote is never looked up.
"""

from __future__ import annotations

import re
from dataclasses import replace

from app.analysis.results import Message, Verdict
from app.book.model import JobRecord
from app.job.checks.centre import AS_FOUND, MIDDLE_OF_TRACK
from app.job.checks.gauge import BY_NUDGES, BY_STEPS
from app.job.checks.mechanics import IN_ORDER, NOT_IN_ORDER, NOT_LOOKED, PARTS, words_key
from app.job.checks.prepare import NO, YES
from app.job.job import DISK_STOPPED, SOURCE_CHANGED
from app.job.model import CheckName, Entry, Outcome
from app.job.sentences import messages_of
from app.language import ENGLISH, say, spoken

_NUMBER = re.compile(r"\d+")
_LOOKED_AT = tuple(part for part, _ in PARTS)
_FREE = tuple(map(words_key, _LOOKED_AT))
"""What is entered under these is in the user's own words."""
CHOICES = (
    *(YES, NO, IN_ORDER, NOT_IN_ORDER, NOT_LOOKED),
    *(BY_NUDGES, BY_STEPS, MIDDLE_OF_TRACK, AS_FOUND),
)
"""What a user may choose as an answer."""


def begun(text: str) -> str:
    """Return a text with a capital at its beginning; the rest of it stays as it is."""
    return text[:1].upper() + text[1:]


def phrase(name: str) -> str:
    """Return a name that the program has given, such as ``burst 2`` or ``offset``.

    Numbers in it are the values of its text, and what commas part is looked up part by part where
    the whole has no text; what has none at all stays as it is.
    """
    known = say(name)
    if known != name or "{" in name:
        return known
    numbers = _NUMBER.findall(name)
    places = (f"{{{place}}}" for place in range(len(numbers)))
    known = say(_NUMBER.sub(lambda _: next(places), name), *numbers) if numbers else name
    if known != name:
        return known
    first, comma, rest = name.partition(", ")
    return f"{phrase(first)}, {phrase(rest)}" if comma else name


def told(sentences: str) -> str:
    """Return what the program has said and the book has kept: sentences between semicolons."""
    if spoken() == ENGLISH:
        return sentences
    return "; ".join(map(_said, messages_of(sentences)))


def _said(message: Message) -> str:
    """Return a message; values that are words or messages themselves are looked up too."""
    if message.text == "{0}":
        return phrase(message.values[0])
    return say(message.text, *map(told, message.values))


def record_told(record: JobRecord) -> JobRecord:
    """Return a record with the program's sentences in the language in force."""
    if spoken() == ENGLISH:
        return record
    return replace(
        record,
        entries=tuple(map(_entry_told, record.entries)),
        outcomes=tuple(map(_outcome_told, record.outcomes)),
    )


def _entry_told(entry: Entry) -> Entry:
    if entry.track is not None or entry.label in (SOURCE_CHANGED, DISK_STOPPED):
        return replace(entry, notes=tuple(map(told, entry.notes)))
    chosen = entry.label not in _FREE
    notes = (say(each) if chosen and each in CHOICES else each for each in entry.notes)
    return replace(entry, notes=tuple(notes))


def _outcome_told(outcome: Outcome) -> Outcome:
    limit, reason = outcome.limit, outcome.reason
    if outcome.check is CheckName.MECHANICS:
        reason = "; ".join(map(_of_part, reason.split("; ")))
    # Why a check was left out is in the user's own words.
    elif outcome.verdict is not Verdict.SKIPPED:
        reason = told(reason)
    return replace(
        outcome,
        limit=None if limit is None else replace(limit, source=say(limit.source)),
        reason=reason,
        aim=told(outcome.aim),
    )


def _of_part(said: str) -> str:
    """Return what was said of a part of the mechanics: its name, and the user's own words."""
    name, colon, words = said.partition(": ")
    if name == NOT_LOOKED:
        return f"{say(name)}{colon}{phrase(words)}"
    return f"{say(name)}{colon}{words}" if name in _LOOKED_AT else said
