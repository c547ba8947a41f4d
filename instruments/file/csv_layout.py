"""How a CSV export is laid out: separator, decimal mark, first line of numbers, headings, units.

All of it is found in the text alone. Text that could be read in two ways is refused.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from instruments.source import FormatError

_PREFIXES = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "n": 1e-9, "p": 1e-12}
_LONG = {"": 1.0, "kilo": 1e3, "milli": 1e-3, "micro": 1e-6, "nano": 1e-9, "pico": 1e-12}


def _units(short: tuple[str, ...], long: tuple[str, ...]) -> dict[str, float]:
    units = {prefix + word: size for prefix, size in _PREFIXES.items() for word in short}
    for word in long:
        units |= {prefix + word: size for prefix, size in _LONG.items()}
        units |= {prefix + word + "s": size for prefix, size in _LONG.items()}
    return units


SECONDS = _units(("s", "sec"), ("second",))
VOLTS = _units(("v",), ("volt",))
NOT_VOLTS = frozenset(
    re.findall(
        r"\S+",
        "a ma ua amp amps ampere adc count counts code codes lsb raw db dbv dbm w div %",
    )
)
"""Units that say that a column is not in volts."""

_HERTZ = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_PER_SECOND = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
RATES = _HERTZ | {
    prefix + word: size
    for prefix, size in _PER_SECOND.items()
    for word in ("sa/s", "s/s", "sps", "samples/s", "pts/s")
}

_TIME_WORDS = frozenset(["time", "t", "x", "axis", "base", "stamp", "timestamp", "elapsed", "in"])
_COUNTER_WORDS = frozenset(
    re.findall(r"\w+", "sample samples point points no nr number n index row sequence seq x axis")
)
SHORTEST_S, LONGEST_S = 1e-12, 1e6
"""Sample intervals that can be meant."""

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|\.\d+)(?:e[+-]?\d+)?"
_BETWEEN = r"""["'\s,;:=]*"""
_INTERVAL_KEY = (
    r"(?:sampl(?:e|ing)[\s_]*(?:interval|period|time)|"
    r"(?<!y)(?<!y[\s_-])(?<!vertical[\s_-])(?<!voltage[\s_-])(?:x[\s_-]*)?incr(?:ement)?"
    r"|delta[\s_-]*t(?:ime)?|\bdt|xinc|time[\s_]*per[\s_]*(?:sample|point)|horizontal[\s_]*interval)"
)
_RATE_KEY = r"(?:sampl(?:e|ing)[\s_]*(?:rate|frequency|freq))"
_POINTS_KEY = r"(?:record[\s_]*length|number[\s_]*of[\s_]*(?:points|samples))"


def _stated(key: str) -> re.Pattern[str]:
    unit = r"(?:\s*[(\[](?P<before>[^)\]]*)[)\]])?"
    after = r"""(?:["'\s,;]*(?P<after>[a-zµμ]+(?:/s)?))?"""
    return re.compile(rf"{key}\b{unit}{_BETWEEN}(?P<number>{_NUMBER}){after}", re.IGNORECASE)


_INTERVAL = _stated(_INTERVAL_KEY)
_RATE = _stated(_RATE_KEY)
_POINTS = _stated(_POINTS_KEY)
_INTERVAL_HEADING = re.compile(_INTERVAL_KEY + r"\W*", re.IGNORECASE)


def unit_in(title: str) -> str | None:
    """Return the unit that a heading such as ``CH1 (mV)`` or ``time_ms`` ends in, if any.

    In lower case. One of :data:`NOT_VOLTS` must stand in brackets: ``Channel A`` is a name.
    """
    text = title.strip().lower()
    bracketed: list[str] = re.findall(r"[(\[]\s*([^)\]]*?)\s*[)\]]", text)
    for word in reversed(bracketed):
        if _is_known(word):
            return word
    last = re.split(r"[\s_/,]+", text)[-1]
    return last if last in SECONDS or last in VOLTS else None


def unit_of(cell: str) -> str | None:
    """Return the unit that a cell of a unit row is, in lower case, None when it is none."""
    word = cell.strip().strip("()[]").strip().lower()
    return word if _is_known(word) else None


def is_unit(cell: str) -> bool:
    """Tell whether a cell may stand in a row of units: a unit, nothing, or a count."""
    return unit_of(cell) is not None or cell.strip().lower() in ("sequence", "")


def _is_known(word: str) -> bool:
    return word in SECONDS or word in VOLTS or word in NOT_VOLTS


def names_time(title: str) -> bool:
    """Tell whether a heading says that its column is time."""
    words = _words(title)
    return bool(words) and all(word in _TIME_WORDS or word in SECONDS for word in words)


def names_counter(title: str) -> bool:
    """Tell whether a heading says that its column counts the samples."""
    return all(word in _COUNTER_WORDS for word in _words(title))


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


def _sane(interval_s: float) -> float | None:
    return interval_s if SHORTEST_S <= interval_s <= LONGEST_S else None


def heads_interval(cell: str) -> bool:
    """Tell whether a heading says that the sample interval stands beneath it."""
    return _INTERVAL_HEADING.fullmatch(cell.strip()) is not None


def stated_points(line: str) -> int | None:
    """Return the number of samples that a header line states, if it does."""
    found = _POINTS.search(line)
    points = _value(found, {}) if found else math.nan
    return int(points) if 0 < points < math.inf else None


def _value(found: re.Match[str], units: dict[str, float]) -> float:
    number = float(found["number"].replace(",", "."))
    for unit in (found["before"], found["after"]):
        word = (unit or "").strip().lower()
        if word in units:
            return number * units[word]
    return number


def _words(title: str) -> list[str]:
    return re.findall(r"[a-zµμ]+", title.lower())


_SAMPLE_LINES = 200
"""Lines at the end of the head from which separator and columns are told."""
_HEADING_LINES = 4
"""Lines above the numbers in which names and units of columns are looked for."""
_POINT = re.compile(
    r"\s*[+-]?(?:(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?|nan|inf|infinity)\s*", re.IGNORECASE
)
_COMMA = re.compile(r"\s*[+-]?(?:(?:\d+|\d*,\d+)(?:e[+-]?\d+)?|nan|inf|infinity)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Style:
    """How a line falls into cells: the separator (None for spaces) and the decimal mark."""

    separator: str | None
    decimal: str

    def split(self, line: str) -> list[str]:
        """Return the cells of a line, quotes taken off."""
        if '"' in line:
            try:
                return next(csv.reader([line.strip()], delimiter=self.separator or " "), [])
            except csv.Error:
                return [line]
        return line.split(self.separator)

    def is_number(self, cell: str) -> bool:
        """Tell whether a cell is a number, or says that there is none (nan, inf)."""
        return (_COMMA if self.decimal == "," else _POINT).fullmatch(cell) is not None


_STYLES = (
    Style(";", ","),
    Style(";", "."),
    Style("\t", ","),
    Style("\t", "."),
    Style(",", "."),
    Style(",", ","),
    Style(None, ","),
    Style(None, "."),
)


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """Where a CSV's numbers are and what stands above them.

    Attributes
    ----------
    style : Style
        Separator and decimal mark.
    width : int
        Cells in a line, empty ones at its end not counted.
    columns : tuple of int
        Cells that hold numbers; the others are empty or belong to the header.
    first_line : int
        Lines above the numbers.
    titles, units : tuple of str
        Headings and unit row of those columns, empty where there are none.
    interval_s : float or None
        Sample interval that the header states.
    points : int or None
        Number of samples that the header states.
    """

    style: Style
    width: int
    columns: tuple[int, ...]
    first_line: int
    titles: tuple[str, ...]
    units: tuple[str, ...]
    interval_s: float | None
    points: int | None

    def cells(self, line: str) -> list[str]:
        """Return the cells of a line without the empty ones at its end."""
        return _trimmed(self.style.split(line), self.width)


def find_layout(lines: Sequence[str]) -> CsvLayout:
    """Tell a CSV's layout from its first lines.

    Parameters
    ----------
    lines : sequence of str
        Without line ends.

    Raises
    ------
    FormatError
        When there are no columns of numbers, or their commas can be read in two ways.
    """
    sample = [line for line in lines[-_SAMPLE_LINES:] if line.strip()]
    ranked = [(style, *_common_pattern(style, sample)) for style in _STYLES]
    usable = [entry for entry in ranked if "n" in entry[1] and "w" not in entry[1]]
    if not usable:
        raise _no_numbers(lines, ranked)
    style, pattern, _ = max(usable, key=lambda entry: (entry[2], entry[1].count("n")))
    width = len(pattern)
    columns = tuple(i for i, kind in enumerate(pattern) if kind == "n")
    first = next(i for i, line in enumerate(lines) if _fits(style, line, width, columns))
    header = lines[:first]
    _refuse_broken_rows(style, header, columns)
    titles, units = _headings(style, header, columns)
    if style == Style(",", "."):
        _refuse_two_ways(style, sample, width, bool(titles))
    # A comma that parts cells must not be taken for a decimal mark.
    said = [line.replace(",", ";") if style.decimal == "." else line for line in header]
    interval = next((v for v in map(stated_interval_s, said) if v is not None), None)
    return CsvLayout(
        style=style,
        width=width,
        columns=columns,
        first_line=first,
        titles=titles,
        units=units,
        interval_s=_interval_beneath(style, header) if interval is None else interval,
        points=next((v for v in map(stated_points, said) if v is not None), None),
    )


def _common_pattern(style: Style, sample: list[str]) -> tuple[str, int]:
    """Return the commonest form of a line (n number, e empty, w word a cell), and its count.

    Forms that are numbers throughout come before others.
    """
    forms = Counter(_form(style, line) for line in sample)
    if not forms:
        return "", 0
    pure = [form for form in forms if "n" in form and "w" not in form]
    best = max(pure or forms, key=lambda form: (forms[form], form.count("n")))
    return best, forms[best]


def _form(style: Style, line: str) -> str:
    if style == Style(",", ",") and '"' not in line:
        return "w"
    return "".join(_kind(style, cell) for cell in style.split(line)).rstrip("e")


def _kind(style: Style, cell: str) -> str:
    if not cell.strip():
        return "e"
    return "n" if style.is_number(cell) else "w"


def _fits(style: Style, line: str, width: int, columns: tuple[int, ...]) -> bool:
    if style == Style(",", ",") and '"' not in line:
        return False
    cells = _trimmed(style.split(line), width)
    return len(cells) == width and all(style.is_number(cells[i]) for i in columns)


def _trimmed(cells: list[str], width: int) -> list[str]:
    end = len(cells)
    while end > width and not cells[end - 1].strip():
        end -= 1
    return cells[:end]


def _no_numbers(lines: Sequence[str], ranked: list[tuple[Style, str, int]]) -> FormatError:
    """Say which word stands in the way, where there are numbers at all."""
    style, form, _ = max(ranked, key=lambda entry: (entry[1].count("n"), entry[2]))
    if "n" in form:
        number, cells = next(
            (i, style.split(line)) for i, line in enumerate(lines, 1) if _form(style, line) == form
        )
        return bad_cell(number, cells[form.index("w")].strip())
    return FormatError("it holds no columns of numbers; export the samples as WAV or CSV")


def _headings(
    style: Style, header: Sequence[str], columns: tuple[int, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return names and units of the columns from the lines just above the numbers."""
    units: tuple[str, ...] = ()
    above = [line for line in header if line.strip()][-_HEADING_LINES:]
    for line in reversed(above):
        cells = _heading_cells(style, line, columns)
        if cells is None:
            continue
        if all(map(is_unit, cells)) and any(cells):
            units = units or cells
        elif not any(style.is_number(cell) for cell in cells):
            return cells, units
    return (), units


def _heading_cells(style: Style, line: str, columns: tuple[int, ...]) -> tuple[str, ...] | None:
    text = line.strip("#% \r") if style.separator is None else line.lstrip("#% ")
    splits = [style.split(text)]
    if style.separator is None:
        # A unit in brackets belongs to the word before it, and two spaces part two names.
        splits += [re.split(r"\s+(?![(\[])", text), re.split(r"\s{2,}", text)]
    for split in splits:
        cells = _trimmed(split, columns[-1] + 1)
        if columns[-1] < len(cells) and (style.separator or len(cells) == columns[-1] + 1):
            return tuple(cells[i].strip() for i in columns)
    return None


def _refuse_broken_rows(style: Style, header: Sequence[str], columns: tuple[int, ...]) -> None:
    """Refuse a row of samples with a fault in it that would pass for a line of the header.

    It begins with a number where the samples do, which lines of a header do not.
    """
    for number, line in enumerate(header, 1):
        cells = style.split(line)
        if len(cells) <= columns[-1] or not style.is_number(cells[columns[0]]):
            continue
        for cell in (cells[i].strip() for i in columns[1:]):
            if not style.is_number(cell):
                raise bad_cell(number, cell)


def bad_cell(number: int, cell: str) -> FormatError:
    """Return the error for a cell that ought to be a number, with its line's number."""
    if not cell:
        return FormatError(f"line {number}: a value is missing; copy or export the file again")
    shown = "".join(mark if mark.isprintable() else "?" for mark in cell[:40])
    return FormatError(f"line {number}: “{shown}” is not a number; correct the line or remove it")


def _interval_beneath(style: Style, header: Sequence[str]) -> float | None:
    """Return the interval that stands in the cell under its heading, if one does."""
    for upper, lower in itertools.pairwise(header):
        values = style.split(lower)
        for i, cell in enumerate(style.split(upper)):
            if heads_interval(cell) and i < len(values) and style.is_number(values[i]):
                return stated_interval_s(f"increment={values[i].replace(',', '.').strip()}")
    return None


def _refuse_two_ways(style: Style, sample: list[str], width: int, titled: bool) -> None:
    """Refuse whole numbers parted by commas where the commas may as well mark decimals."""
    rows = [style.split(line)[:width] for line in sample]
    rows = [row for row in rows if len(row) == width and all(map(style.is_number, row))]
    cells = [cell.strip() for row in rows for cell in row]
    if width < 2 or any("." in cell for cell in cells) or any('"' in line for line in sample):
        return
    padded = any(re.match(r"[+-]?0\d", cell) for cell in cells)
    # A fraction has no sign of its own, and an exponent ends a number.
    parted = any(re.match(r"\s*[+-]", cell) for row in rows for cell in row[1::2])
    parted = parted or any("e" in cell.lower() for row in rows for cell in row[:-1:2])
    if padded or not (titled or parted or width % 2):
        raise FormatError(
            "its commas may part columns or mark decimals; export it with decimal points, "
            "or with semicolons between columns"
        )
