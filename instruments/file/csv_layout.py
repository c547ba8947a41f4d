"""How a CSV export is laid out: separator, decimal mark, first line of numbers, headings, units.

All of it is found in the text alone. Text that could be read in two ways is refused.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from instruments.file import statements
from instruments.file.words import (
    HERTZ,
    SECONDS,
    is_unit,
    names_frequency,
    names_time,
    unit_in,
    unit_of,
)
from instruments.source import FormatError

_SAMPLE_LINES = 200
"""Lines at the end of the head from which separator and columns are told."""
_HEADING_LINES = 4
"""Lines above the numbers in which names and units of columns are looked for."""
_NO_NUMBER = "nan|inf|infinity|∞|ol"
# Digits are given back by none of these: of thousands in a row every division would be tried.
_POINT = re.compile(
    rf"\s*+[+-]?(?:(?:\d++\.?\d*+|\.\d++)(?:e[+-]?\d++)?|{_NO_NUMBER})\s*+", re.IGNORECASE
)
_COMMA = re.compile(
    rf"\s*+[+-]?(?:(?:\d++(?:,\d++)?|,\d++)(?:e[+-]?\d++)?|{_NO_NUMBER})\s*+", re.IGNORECASE
)

_LETTER = re.compile(r"[^\W\d_eE]")
_LOGIC = re.compile(r"0x[0-9a-f]+", re.IGNORECASE)
"""A word of logic levels: a column of them is passed over."""


@dataclass(frozen=True, slots=True)
class Style:
    """How a line falls into cells: the separator (None for spaces) and the decimal mark."""

    separator: str | None
    decimal: str

    def split(self, line: str) -> list[str]:
        """Return the cells of a line, quotes taken off."""
        if '"' in line:
            try:
                return next(csv.reader([line.strip(" ")], delimiter=self.separator or " "), [])
            except csv.Error:
                return [line]
        return line.split(self.separator)

    def is_number(self, cell: str) -> bool:
        """Tell whether a cell is a number, or says that there is none (nan, inf, ∞, OL)."""
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
    """Where a CSV's numbers are and what stands above and beside them.

    Attributes
    ----------
    style : Style
        Separator and decimal mark.
    width : int
        Cells in a line, empty ones at its end not counted.
    cells_a_line : int
        The same with the empty ones, as in the first plain line; 0 where spaces part them.
    columns : tuple of int
        Cells that hold numbers; the others are empty, words of logic levels, or the header's.
    first_line : int
        Lines above the numbers.
    plain_from : int
        Lines as far as the last that has parts of the header beside its numbers.
    titles, units : tuple of str
        Headings and unit row of those columns, empty where there are none.
    header : tuple of tuple of str
        The header as cells, those that hold samples left empty.
    interval_s : float or None
        Sample interval that the header states.
    points : int or None
        Number of samples that the header states.
    """

    style: Style
    width: int
    cells_a_line: int
    columns: tuple[int, ...]
    first_line: int
    plain_from: int
    titles: tuple[str, ...]
    units: tuple[str, ...]
    header: tuple[tuple[str, ...], ...]
    interval_s: float | None
    points: int | None

    def cells(self, line: str) -> list[str]:
        """Return the cells of a line without the empty ones at its end."""
        return _trimmed(self.style.split(line), self.width)

    @property
    def timed(self) -> bool:
        """Whether headings or units say that the first column is time."""
        return is_timed(self.titles, self.units)


def find_layout(lines: Sequence[str]) -> CsvLayout:
    """Tell a CSV's layout from its first lines.

    Parameters
    ----------
    lines : sequence of str
        Without line ends.

    Raises
    ------
    FormatError
        When there are no columns of numbers, they are a spectrum's, or their commas can be read
        in two ways.
    """
    sample = [line for line in lines[-_SAMPLE_LINES:] if line.strip()]
    ranked = [(style, *_common_pattern(style, sample)) for style in _STYLES]
    usable = [entry for entry in ranked if "n" in entry[1] and "w" not in entry[1]]
    if not usable:
        raise _no_numbers(lines, ranked)
    style, pattern, _ = max(usable, key=lambda entry: (entry[2], entry[1].count("n")))
    columns = tuple(i for i, kind in enumerate(pattern) if kind == "n")
    plain = next(i for i, line in enumerate(lines) if _form(style, line) == pattern)
    first = _first_line(style, lines, plain, columns)
    above = lines[:first]
    titles, units = _headings(style, above, columns)
    plain = _last_beside(style, lines, plain, columns)
    said, header = _header(style, above, lines[first:plain], columns)
    _refuse_spectrum(titles, units, header)
    _refuse_broken_rows(style, above, columns, timed=is_timed(titles, units))
    if style == Style(",", "."):
        _refuse_two_ways(style, sample, columns, bool(titles))
    interval = statements.first_of(statements.stated_interval_s, said)
    return CsvLayout(
        style=style,
        width=len(pattern),
        cells_a_line=len(style.split(lines[min(plain, len(lines) - 1)])) if style.separator else 0,
        columns=columns,
        first_line=first,
        plain_from=plain,
        titles=titles,
        units=units,
        header=header,
        interval_s=statements.interval_beneath(header) if interval is None else interval,
        points=statements.first_of(statements.stated_points, said),
    )


def said_in(lines: Sequence[str], decimal: str = ".") -> list[str]:
    """Return header lines in which no comma that parts cells can pass for a decimal mark."""
    return [line.replace(",", ";") if decimal == "." else line for line in lines]


def is_timed(titles: Sequence[str], units: Sequence[str]) -> bool:
    """Tell whether the first heading or unit says that its column is time."""
    unit = unit_of_column(titles, units, 0)
    return unit in SECONDS or (bool(titles) and names_time(titles[0]))


def unit_of_column(titles: Sequence[str], units: Sequence[str], column: int) -> str | None:
    """Return the unit that unit row or heading give a column, in lower case, if they do."""
    unit = unit_of(units[column]) if units else None
    return unit_in(titles[column]) if unit is None and titles else unit


def _first_line(style: Style, lines: Sequence[str], plain: int, columns: tuple[int, ...]) -> int:
    """Go up from the first plain line while numbers stand in the columns beside other cells."""
    first = plain
    for i in range(plain - 1, -1, -1):
        cells = style.split(lines[i])
        if not lines[i].strip():
            continue
        if len(cells) <= columns[-1] or not all(style.is_number(cells[c]) for c in columns):
            break
        first = i
    return first


def _last_beside(style: Style, lines: Sequence[str], plain: int, columns: tuple[int, ...]) -> int:
    """Return the number of lines as far as the last that has words beside its numbers."""
    for i in range(len(lines) - 1, plain, -1):
        if not _LETTER.search(lines[i]):
            continue
        cells = style.split(lines[i])
        if "w" in _form(style, lines[i]) and all(
            c < len(cells) and style.is_number(cells[c]) for c in columns
        ):
            return i + 1
    return plain


def _header(
    style: Style, above: Sequence[str], beside: Sequence[str], columns: tuple[int, ...]
) -> tuple[list[str], tuple[tuple[str, ...], ...]]:
    """Return the header as lines and as cells, with what stands beside the first samples."""
    rows = [tuple(style.split(line)) for line in above]
    rest = [
        tuple("" if i in columns else cell for i, cell in enumerate(style.split(line)))
        for line in beside
    ]
    lines = [*above, *(";".join(row) for row in rest)]
    return said_in(lines, style.decimal), (*rows, *rest)


def _refuse_spectrum(
    titles: tuple[str, ...], units: tuple[str, ...], header: tuple[tuple[str, ...], ...]
) -> None:
    along = [unit_of_column(titles, units, i) for i in range(min(2, len(titles or units)))]
    if (
        any(unit in HERTZ for unit in along)
        or any(map(names_frequency, titles[:2]))
        or statements.states_spectrum(header)
    ):
        raise FormatError("it holds a spectrum, not samples over time; export the waveform itself")


def _common_pattern(style: Style, sample: list[str]) -> tuple[str, int]:
    """Return the commonest form of a line (n number, e passed over, w word a cell), and its count.

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
    if _is_passed_over(cell):
        return "e"
    return "n" if style.is_number(cell) else "w"


def _is_passed_over(cell: str) -> bool:
    return not cell.strip() or _LOGIC.fullmatch(cell.strip()) is not None


def _trimmed(cells: list[str], width: int) -> list[str]:
    end = len(cells)
    while end > width and _is_passed_over(cells[end - 1]):
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
    told = [line for line in header if line.strip() and not _is_time_alone(style, line, columns)]
    above = told[-_HEADING_LINES:]
    for line in reversed(above):
        cells = _heading_cells(style, line, columns)
        if cells is None or (len(columns) == 1 and _has_value(style, line)):
            continue
        if not any(cells) or any(map(_is_key, cells)):
            continue
        if all(map(is_unit, cells)):
            units = units or cells
        elif names_time(cells[0]) or not any(style.is_number(cell) for cell in cells):
            return cells, units
    return (), units


def _is_time_alone(style: Style, line: str, columns: tuple[int, ...]) -> bool:
    """Tell whether a line holds a number where the times stand, and none in other columns."""
    cells = style.split(line)
    return (
        len(cells) > columns[-1]
        and style.is_number(cells[columns[0]])
        and not any(cells[i].strip() for i in columns[1:])
    )


def _has_value(style: Style, line: str) -> bool:
    """Tell whether a line of more than one cell stands over a lone column: a key and its value."""
    return style.separator is not None and sum(map(bool, map(str.strip, style.split(line)))) > 1


def _is_key(cell: str) -> bool:
    """Tell whether a cell is a key, with its value or before it, as ``#scale=500(mV)``."""
    pair = re.match(r"[^=:(\[]+(?:=|:\s*(?:\S|$))", cell)
    return pair is not None or statements.is_key(cell)


def _heading_cells(style: Style, line: str, columns: tuple[int, ...]) -> tuple[str, ...] | None:
    text = line.strip("#% \r") if style.separator is None else line.lstrip("#% ")
    splits = [style.split(text)]
    if style.separator is None:
        # A unit in brackets belongs to the word before it, and two spaces part two names.
        splits += [re.split(r"\s+(?![(\[])", text), re.split(r"\s{2,}", text)]
    elif style.separator not in text:
        # Some programs part the headings otherwise than the numbers.
        splits += [Style(other, style.decimal).split(text) for other in (",", "\t")]
    for split in splits:
        cells = _trimmed(split, columns[-1] + 1)
        if columns[-1] < len(cells) and (style.separator or len(cells) == columns[-1] + 1):
            return tuple(cells[i].strip() for i in columns)
    return None


def _refuse_broken_rows(
    style: Style, header: Sequence[str], columns: tuple[int, ...], *, timed: bool
) -> None:
    """Refuse a row of samples with a fault in it that would pass for a line of the header.

    It begins with a number where the samples do, which lines of a header do not. First rows that
    hold a time alone are left out: some scopes begin so.
    """
    for number, line in enumerate(header, 1):
        cells = style.split(line)
        if len(cells) <= columns[-1] or not style.is_number(cells[columns[0]]):
            continue
        values = [cells[i].strip() for i in columns[1:]]
        keyed = any(map(str.strip, cells[: columns[0]]))
        if not any(values) and (timed or keyed):
            continue
        for cell in values:
            if not style.is_number(cell):
                raise bad_cell(number, cell)


def bad_cell(number: int, cell: str) -> FormatError:
    """Return the error for a cell that ought to be a number, with its line's number."""
    if not cell:
        return FormatError(f"line {number}: a value is missing; copy or export the file again")
    shown = "".join(mark if mark.isprintable() else "?" for mark in cell[:40])
    return FormatError(f"line {number}: “{shown}” is not a number; correct the line or remove it")


def _refuse_two_ways(
    style: Style, sample: list[str], columns: tuple[int, ...], titled: bool
) -> None:
    """Refuse whole numbers parted by commas where the commas may as well mark decimals."""
    width = columns[-1] + 1
    rows = [style.split(line)[:width] for line in sample]
    rows = [[row[i] for i in columns] for row in rows if len(row) == width]
    rows = [row for row in rows if all(map(style.is_number, row))]
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
