"""What a report is made of, and how it writes texts, numbers and times.

A report is plain blocks, which a page and a printer lay out, each in its own way; users' texts in
them are safe to lay out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from app.analysis.results import Verdict
from app.book.drift import moment_of
from app.job.model import CheckName, Limit, Outcome, Value
from app.job.plan import Plan
from app.language import ENGLISH, say
from app.numbers import MINUS, plus_minus

MAX_TEXT = 1200
"""Characters that a report shows of one text; the book keeps all of it."""
_JOINERS = "\u200c\u200d\u200e\u200f"
"""Not printable by themselves, and yet part of how some languages are written."""

TITLES = {
    CheckName.CARE: "Before power",
    CheckName.MECHANICS: "Mechanics, by eye and finger",
    CheckName.SPEED: "Spindle speed",
    CheckName.DRIFT: "Drift of the head",
    CheckName.SEATING: "Seating: standard error",
    CheckName.RADIAL: "Radial offset",
    CheckName.TRACKS: "Radial offset, every track",
    CheckName.HYSTERESIS: "Hysteresis",
    CheckName.SEEKS: "Long seeks, from either end",
    CheckName.PUSH: "Play of the arm",
    CheckName.ADJUST: "Middle when adjusted",
    CheckName.LOCK: "Moved by locking",
    CheckName.AZIMUTH: "Azimuth",
    CheckName.INDEX: "Index to burst",
    CheckName.OUTPUT: "Output: 2F over 1F, inner",
    CheckName.TRACK_ZERO: "Track zero",
    CheckName.CENTRE: "Off the middle of an ordinary track",
    CheckName.SCALE: "Scale of the alignment disk",
    CheckName.ZERO: "Zero of the alignment disk",
    CheckName.WORKING_DISK: "Zero of the working disk",
}
VERDICTS = {
    Verdict.PASS: "pass",
    Verdict.FAIL: "FAIL",
    Verdict.UNDECIDED: "undecided",
    Verdict.NOTED: "noted",
    Verdict.SKIPPED: "skipped",
}
PLANS = {
    Plan.FULL: "full: as found, the work, as left",
    Plan.CHECK: "check only: everything as found, and nothing moved",
    Plan.ADJUST: "adjust only: where the head is, the work, and where it is left",
    Plan.CENTRE: "without an alignment disk: the head against an ordinary track",
    Plan.SCALE: "calibration of the alignment disk's scale",
    Plan.ZERO: "calibration of the alignment disk's zero",
    Plan.WORKING_DISK: "calibration of a working disk",
}
"""What a job was for, by its plan."""
_SIDED = {
    CheckName.RADIAL,
    CheckName.AZIMUTH,
    CheckName.INDEX,
    CheckName.ZERO,
    CheckName.WORKING_DISK,
}
_OF_OTHER_TOO = {CheckName.HYSTERESIS, CheckName.OUTPUT}
"""Of head 0 they stand without its number: a short plan has them of that alone."""


_LEAST = {
    "µm": 0.01,
    "mil": 0.001,
    "%": 0.01,
    "°": 0.01,
    "µs": 0.01,
    "ns": 0.1,
    "rpm": 0.001,
    "arcmin": 0.01,
}
"""What no measurement here resolves, in each unit."""


def clean(text: str, most: int = MAX_TEXT) -> str:
    """Return a text without what could disturb the text around it, and not without end.

    Control signs, and those that turn the direction of what follows, become U+FFFD; line breaks
    and tabs become spaces.
    """
    cut = text
    if len(text) > most:
        cut = text[:most] + say("… (shortened: {0} characters)", len(text))
    return "".join(
        sign
        if sign.isprintable() or sign in _JOINERS
        else (" " if sign in "\n\r\t\u2028\u2029" or sign.isspace() else "\ufffd")
        for sign in cut
    )


def within(text: str, most: int = MAX_TEXT) -> str:
    """Return a user's text to stand in a sentence, whose direction it keeps as it is."""
    safe = clean(text, most)
    return safe if safe.isascii() else f"\u2068{safe}\u2069"


def titled(outcome: Outcome) -> str:
    """Return what a check is called, with its side where it is done on each."""
    title = say(TITLES[outcome.check])
    sided = is_sided(outcome.check, outcome.side)
    return say("{0}, side {1}", title, outcome.side) if sided else title


def is_sided(check: CheckName, head: int) -> bool:
    """Return whether a check of a head is told with its side."""
    return check in _SIDED or (check in _OF_OTHER_TOO and head > 0)


def amount(value: Value) -> str:
    """Return value ± U with its unit: two digits of U, and the value to as many places.

    JCGM 100, 7.2.6. A value without U has three digits, and none below what its unit bears.
    """
    unit = f" {value.unit}" if value.unit else ""
    least = _LEAST.get(value.unit)
    if value.u is None and least is not None and math.isfinite(value.value):
        if 0.0 < abs(value.value) < least:
            return say("below {0:g}{1}", least, unit)
        places = max(0, 2 - math.floor(math.log10(abs(value.value) or 1.0)))
        places = min(places, round(-math.log10(least)))
        return plus_minus(value.value, None, unit, places=places, minus=MINUS)
    return plus_minus(value.value, value.u, unit, sign="z", minus=MINUS)


def verdict_word(verdict: Verdict) -> str:
    """Return a verdict as a cell has it."""
    return say(VERDICTS[verdict])


def check_title(name: str) -> str:
    """Return what a check is called, by the name that a book has it under."""
    return say(TITLES[CheckName(name)]) if name in set(CheckName) else clean(name, 40)


def plan_words(name: str) -> str:
    """Return what a plan is for, by the name that a book has it under."""
    return say(PLANS[Plan(name)]) if name in set(Plan) else clean(name, 40)


def times(count: int) -> str:
    """Return how often something was done."""
    return say("once") if count == 1 else say("{0} times", count)


def found_of(outcome: Outcome) -> str:
    """Return what a check found; a dash where there is no number."""
    if outcome.value is None:
        return "–"
    return amount(Value("", outcome.value, outcome.covering_u, outcome.unit))


def limit_words(limit: Limit | None) -> str:
    """Return what a value is judged by."""
    low, high = (None, None) if limit is None else (limit.low, limit.high)
    unit = f" {limit.unit}" if limit is not None and limit.unit else ""
    if low is None:
        return say("none") if high is None else say("size ≤ {0}{1}", _figure(high), unit)
    if high is None:
        return f"≥ {_figure(low)}{unit}"
    if low == -high:
        return say("within ±{0}{1}", _figure(high, 3), unit)
    return say("{0} to {1}{2}", _end(low, high - low), _end(high, high - low), unit)


def _end(number: float, width: float) -> str:
    """Return one end of a range with as many digits as three of half of its width bear."""
    if not (math.isfinite(number) and 0.0 < width < math.inf):
        return _figure(number)
    places = max(0, 2 - math.floor(math.log10(width / 2.0)))
    words = f"{number:.{places}f}"
    return (words.rstrip("0").rstrip(".") if places else words).replace("-", MINUS)


def _figure(number: float, digits: int = 4) -> str:
    if not math.isfinite(number):
        return say("not known")
    return f"{number:.{digits}g}".replace("-", MINUS)


def when(text: str) -> str:
    """Return a time to the minute, with its offset."""
    found = moment_of(text)
    return clean(text, 40) if found is None else found.isoformat(" ", "minutes")


def to_the_second(text: str) -> str:
    """Return a time to the second, with its offset."""
    found = moment_of(text)
    return clean(text, 40) if found is None else found.isoformat(" ", "seconds")


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing.

    Attributes
    ----------
    svg : str
        SVG with ``viewBox``; holds nothing that a user typed.
    width, height : float
        Of its view box.
    caption : str
        Stands below it, and tells what is seen to whom sees it not.
    """

    svg: str
    width: float
    height: float
    caption: str


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells, each a text or a verdict.

    Attributes
    ----------
    head : tuple of str
        Titles of the columns; empty for none.
    rows : tuple of tuple of (str or Verdict)
        As many cells a row as columns.
    widths : tuple of float
        Of the columns, as parts of the whole; they sum to 1.
    titles : tuple of int
        Columns that name what stands beside them.
    fine, large : bool
        Set in small print, or in large.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str | Verdict, ...], ...]
    widths: tuple[float, ...]
    titles: tuple[int, ...] = ()
    fine: bool = False
    large: bool = False


_LETTER, _FINE_LETTER, _MARGINS = 0.0087, 0.0075, 0.01
"""Of a page's width, about: a letter in a table and in a fine one, and what a cell leaves free."""


def wide_enough(
    widths: tuple[float, ...],
    column: int,
    words: Iterable[str],
    *,
    beside: float = 0.0,
    fine: bool = False,
) -> tuple[float, ...]:
    """Return widths with which no word of a column is broken; the widest gives what it takes.

    `beside` is the width of what stands in the cell beside the words.
    """
    longest = max(len(word) for each in words for word in each.split())
    need = longest * (_FINE_LETTER if fine else _LETTER) + _MARGINS + beside
    lacking = max(0.0, need - widths[column])
    widest = widths.index(max(widths))
    moved = {column: lacking, widest: -lacking}
    return tuple(part + moved.get(place, 0.0) for place, part in enumerate(widths))


@dataclass(frozen=True, slots=True)
class Figures:
    """Drawings side by side, all of one height."""

    items: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Lines:
    """Sentences, one below the other."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Signature:
    """Places to be filled in by hand."""

    labels: tuple[str, ...]


ReportBlock = Table | Figures | Lines | Signature


@dataclass(frozen=True, slots=True)
class Section:
    """Blocks under a title; on paper it may begin a page."""

    title: str
    blocks: tuple[ReportBlock, ...]
    on_new_page: bool = False


@dataclass(frozen=True, slots=True)
class Report:
    """A job's report.

    Attributes
    ----------
    title, identity, job : str
        What it is, of which drive, and of which job.
    lead : str
        What came of the job, in a sentence.
    verdict : Verdict
        The same as a mark.
    virtual : bool
        Whether it is of the virtual drive, which has to be seen on every page.
    sections : tuple of Section
        The rest, in order.
    sealed : str
        The record that it was made from, which its file holds; see :mod:`app.report.seal`.
    language : str
        Code of the language that it is in.
    """

    title: str
    identity: str
    job: str
    lead: str
    verdict: Verdict
    virtual: bool
    sections: tuple[Section, ...]
    sealed: str = ""
    language: str = ENGLISH
