"""How a report writes what it is given: users' texts made safe to lay out, numbers, times."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from app.job.model import CheckName, Limit, Outcome, Value, Verdict
from app.records import courses
from app.rounding import plus_minus

MOST_TEXT = 1200
"""Characters that a report shows of one text; the book keeps all of it."""
_JOINERS = "\u200c\u200d\u200e\u200f"
"""Not printable by themselves, and yet part of how some languages are written."""

TITLES = {
    CheckName.CARE: "Before power",
    CheckName.SPEED: "Spindle speed",
    CheckName.SEATING: "Seating: standard error",
    CheckName.RADIAL: "Radial offset",
    CheckName.HYSTERESIS: "Hysteresis",
    CheckName.ADJUST: "Middle when adjusted",
    CheckName.LOCK: "Moved by locking",
    CheckName.AZIMUTH: "Azimuth",
    CheckName.INDEX: "Index to burst",
    CheckName.OUTPUT: "Output: 2F over 1F, inner",
    CheckName.TRACK_ZERO: "Track zero",
}
VERDICTS = {
    Verdict.PASS: "pass",
    Verdict.FAIL: "FAIL",
    Verdict.UNDECIDED: "undecided",
    Verdict.NOTED: "noted",
    Verdict.SKIPPED: "skipped",
}
_SIDED = {CheckName.RADIAL, CheckName.AZIMUTH, CheckName.INDEX}


def clean(text: str, most: int = MOST_TEXT) -> str:
    """Return a text without what could disturb the text around it, and not without end.

    Control signs, and those that turn the direction of what follows, become U+FFFD; line breaks
    and tabs become spaces.
    """
    cut = f"{text[:most]}… (shortened: {len(text)} characters)" if len(text) > most else text
    return "".join(
        sign
        if sign.isprintable() or sign in _JOINERS
        else (" " if sign in "\n\r\t\u2028\u2029" or sign.isspace() else "\ufffd")
        for sign in cut
    )


def within(text: str, most: int = MOST_TEXT) -> str:
    """Return a user's text to stand in a sentence, whose direction it keeps as it is."""
    safe = clean(text, most)
    return safe if safe.isascii() else f"\u2068{safe}\u2069"


def titled(outcome: Outcome) -> str:
    """Return what a check is called, with its side where it is done on each."""
    side = f", side {outcome.side}" if outcome.check in _SIDED else ""
    return TITLES[outcome.check] + side


def amount(value: Value) -> str:
    """Return value ± U with its unit."""
    words = plus_minus(value.value, value.u, f" {value.unit}" if value.unit else "")
    return f"−{words[1:]}" if words.startswith("-") else words


def found_of(outcome: Outcome) -> str:
    """Return what a check found; a dash where there is no number."""
    if outcome.value is None:
        return "–"
    return amount(Value("", outcome.value, outcome.u, outcome.unit))


def limit_words(limit: Limit | None) -> str:
    """Return what a value is judged by."""
    low, high = (None, None) if limit is None else (limit.low, limit.high)
    unit = f" {limit.unit}" if limit is not None and limit.unit else ""
    if low is None:
        return "none" if high is None else f"size ≤ {_figure(high)}{unit}"
    if high is None:
        return f"≥ {_figure(low)}{unit}"
    if low == -high:
        return f"0 ± {_figure(high)}{unit}"
    return f"{_figure(low)} to {_figure(high)}{unit}"


def _figure(number: float) -> str:
    if not math.isfinite(number):
        return "not known"
    return f"{number:.4g}".replace("-", "−")


def moment_of(text: str) -> datetime | None:
    """Return an ISO 8601 time, None where it is none; without an offset it counts as UTC."""
    found = courses.moment_of(text)
    return found.replace(tzinfo=UTC) if found is not None and found.tzinfo is None else found


def when(text: str) -> str:
    """Return a time to the minute, with its offset."""
    found = moment_of(text)
    return clean(text, 40) if found is None else found.isoformat(" ", "minutes")
