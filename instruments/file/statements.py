"""What the lines of a text capture's header state: interval, points, units, scale of the codes."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from instruments.file.words import HERTZ, RATES, SECONDS

SHORTEST_S, LONGEST_S = 1e-12, 1e6
"""Sample intervals that can be meant."""

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|\.\d+)(?:e[+-]?\d+)?"
_BETWEEN = r"""["'\s,;:=]*"""
_INTERVAL_KEY = (
    r"(?:sampl(?:e|ing)[\s_]*(?:interval|period|time)|time[\s_]*interval"
    r"|(?<!y)(?<!y[\s_-])(?<!vertical[\s_-])(?<!voltage[\s_-])(?:x[\s_-]*)?incr(?:ement)?"
    r"|delta[\s_-]*(?:t(?:ime)?|x)|\bdt|xinc|\bt[\s_-]*inc|h[\s_-]*resolution"
    # Written twice, as 1e-06:0.000001: the resolution of the times, not of the volts.
    r"|^\W*resolution(?=:[^:;,]+:[^:;,]+$)"
    r"|time[\s_]*per[\s_]*(?:sample|point)|horizontal[\s_]*interval)"
)
_RATE_KEY = r"(?:sampl(?:e|ing)[\s_]*(?:rate|frequency|freq))"
_POINTS_KEY = (
    r"(?:record[\s_]*length|number[\s_]*of[\s_]*(?:points|samples)|memory[\s_]*length"
    r"|^\W*(?:points|block[\s_]*size|samples))"
)


def _stated(key: str) -> re.Pattern[str]:
    unit = r"(?:\s*[(\[](?P<before>[^)\]]*)[)\]])?"
    after = r"""(?:["'\s,;]*[(\[]?(?P<after>[a-zµμ]+(?:/s)?))?"""
    return re.compile(rf"{key}\b{unit}{_BETWEEN}(?P<number>{_NUMBER}){after}", re.IGNORECASE)


_INTERVAL = _stated(_INTERVAL_KEY)
_RATE = _stated(_RATE_KEY)
_POINTS = _stated(_POINTS_KEY)
_INTERVAL_HEADING = re.compile(_INTERVAL_KEY + r"\W*", re.IGNORECASE)
_VERTICAL_UNIT = re.compile(
    r"(?:vertical|y)[\s_]*units?(?:[\s_]*label)?|v[\s_]*unit", re.IGNORECASE
)
_HORIZONTAL_UNIT = re.compile(
    r"(?:horizontal|x)[\s_]*units?(?:[\s_]*label)?|h[\s_]*unit", re.IGNORECASE
)
_VERTICAL_SCALE = re.compile(r"vertical[\s_]*scale", re.IGNORECASE)
_CODES_BEGIN = re.compile(r"waveform[\s_]*data", re.IGNORECASE)
_VOLTS_A_DIVISION = re.compile(r"\(V/DIV\)", re.IGNORECASE)
_SEGMENT_TIME = re.compile(r"time\s*since\s*segment\s*1", re.IGNORECASE)
_PLAIN_NUMBER = re.compile(_NUMBER, re.IGNORECASE)
_LABEL = re.compile(r"label", re.IGNORECASE)
_OTHER_KEYS = re.compile(r"(?:trace|channel)[\s_]*name|date|model|mode|firmware", re.IGNORECASE)
_BARE = """ \t"'#%:"""

_Value = TypeVar("_Value")
Cells = Sequence[Sequence[str]]
"""Lines of a header as cells."""


def stated_interval_s(line: str) -> float | None:
    """Return the sample interval that a header line states, in seconds, if it does."""
    found = _INTERVAL.search(line)
    if found:
        return _sane(_value(found, SECONDS))
    found = _RATE.search(line)
    if found:
        rate = _value(found, RATES)
        return _sane(1 / rate) if rate > 0 else None
    return None


def interval_beneath(header: Cells) -> float | None:
    """Return the interval that stands in the cell under its heading, in seconds, if one does."""
    for upper, lower in itertools.pairwise(header):
        for heading, value in zip(upper, lower, strict=False):
            if heads_interval(heading) and _PLAIN_NUMBER.fullmatch(value.strip()):
                return stated_interval_s(f"increment={value.strip()}")
    return None


def heads_interval(cell: str) -> bool:
    """Tell whether a heading says that the sample interval stands beneath it."""
    return _INTERVAL_HEADING.fullmatch(cell.strip()) is not None


def stated_points(line: str) -> int | None:
    """Return the number of samples that a header line states, if it does."""
    found = _POINTS.search(line)
    points = _value(found, {}) if found else math.nan
    return int(points) if 0 < points < math.inf else None


def first_of(read: Callable[[str], _Value | None], lines: Iterable[str]) -> _Value | None:
    """Return what the first of the lines states that states it."""
    return next((value for value in map(read, lines) if value is not None), None)


def vertical_units(header: Cells, columns: Sequence[int]) -> dict[int, str]:
    """Return the units that lines such as ``Vertical Units,V,A`` state, by column of cells.

    One unit alone is that of all columns, and so are volts where a scale is stated in volts a
    division.
    """
    found = _by_column(header, columns, _VERTICAL_UNIT)
    stated = set(found.values())
    if not found and any(_VOLTS_A_DIVISION.search(cell) for row in header for cell in row):
        stated = {"V"}
    return dict.fromkeys(columns, stated.pop()) if len(stated) == 1 else found


def vertical_scales(header: Cells, columns: Sequence[int]) -> dict[int, str]:
    """Return the volts a division that the header states, as text, by column of cells."""
    return _by_column(header, columns, _VERTICAL_SCALE)


def segment_times(header: Cells) -> list[float]:
    """Return when each segment was triggered, in seconds after the first, where that is stated."""
    for number, row in enumerate(header):
        place = next((i for i, cell in enumerate(row) if _is_key(cell, _SEGMENT_TIME)), None)
        if place is not None:
            below = (cells[place].strip() for cells in header[number + 1 :] if place < len(cells))
            times = itertools.takewhile(lambda cell: _PLAIN_NUMBER.fullmatch(cell), below)
            return [float(cell.replace(",", ".")) for cell in times]
    return []


def labels(header: Cells, columns: Sequence[int]) -> dict[int, str]:
    """Return the names that the user gave to channels, by column of cells."""
    return _by_column(header, columns, _LABEL)


def holds_codes(header: Cells) -> bool:
    """Tell whether the samples follow a line that says ``Waveform Data``, as codes do."""
    return any(_is_key(cell, _CODES_BEGIN) for row in header for cell in row)


def states_spectrum(header: Cells) -> bool:
    """Tell whether the header says that what lies along the file is frequency."""
    return any(
        _is_key(cell, _HORIZONTAL_UNIT) and after.strip(_BARE).lower() in HERTZ
        for row in header
        for cell, after in itertools.pairwise(row)
    )


def _by_column(header: Cells, columns: Sequence[int], key: re.Pattern[str]) -> dict[int, str]:
    """Assign the values after each key to the columns that stand below or to the right of it.

    The first value is the first column's, and so on, as far as the next key of that name.
    """
    found: dict[int, str] = {}
    for row in header:
        places = [i for i, cell in enumerate(row) if _is_key(cell, key)]
        for place, following in itertools.zip_longest(places, places[1:]):
            values = [cell.strip(_BARE) for cell in row[place + 1 : following]]
            below = [c for c in columns if c >= place and (following is None or c < following)]
            found |= {c: value for c, value in zip(below, values, strict=False) if value}
    return found


def is_key(cell: str) -> bool:
    """Tell whether a cell is a key whose values stand after it, and so heads no column."""
    keys = (_VERTICAL_UNIT, _HORIZONTAL_UNIT, _VERTICAL_SCALE, _CODES_BEGIN, _LABEL, _OTHER_KEYS)
    return any(_is_key(cell, key) for key in keys)


def _is_key(cell: str, key: re.Pattern[str]) -> bool:
    return key.fullmatch(cell.strip(_BARE)) is not None


def _sane(interval_s: float) -> float | None:
    return interval_s if SHORTEST_S <= interval_s <= LONGEST_S else None


def _value(found: re.Match[str], units: dict[str, float]) -> float:
    number = float(found["number"].replace(",", "."))
    for unit in (found["before"], found["after"]):
        word = (unit or "").strip().lower()
        if word and word in units:
            return number * units[word]
    return number
