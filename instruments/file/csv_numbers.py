"""The numbers of a CSV, a piece of the file at a time; a line that cannot be read is named.

A plain file is parsed straight from the disk. Any other is never in memory whole as text: each
piece is parsed before the next is read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from instruments.file.csv_layout import CsvLayout, bad_cell
from instruments.source import FormatError

_HEAD_CHARS = 1 << 18
"""The layout is told from this much text; a header longer than that is none."""
_PIECE_CHARS = 1 << 22
_LEAST_PIECE_CHARS = 1 << 16
"""A rest shorter than this goes with the piece before, so that all text after the samples does."""
_TAIL_LINES = 50
"""As many lines at a text's end show how many places its numbers have, or may be words."""
_BYTEWISE = ("utf-8-sig", "cp1252")
_TAIL_BYTES = 1 << 16
"""A text that is shorter is read in one piece as quickly."""
_BLANK = " \t\r\n\f\x1a\0"
_BEGINS_TEXT = re.compile(r"""\s*["']?[^\W\d_]|\s*[#%*]""")
_INFINITE = re.compile(r"∞|\bOL\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Numbers:
    """The numbers of a text, in its columns of numbers.

    Attributes
    ----------
    parts : tuple of numpy.ndarray
        float64, each of shape (rows, columns), one after the other.
    may_be_cut : bool
        The last number may have lost digits: the text ends in it, and not as the others do.
    notes : tuple of str
        What was passed over.
    """

    parts: tuple[NDArray[np.float64], ...]
    may_be_cut: bool
    notes: tuple[str, ...]

    @property
    def rows(self) -> int:
        """Rows in all."""
        return sum(map(len, self.parts))

    def column(self, number: int) -> NDArray[np.float64]:
        """Return a column, float64, shape (rows,)."""
        return np.concatenate([part[:, number] for part in self.parts])

    def without_last(self) -> Numbers:
        """Return the numbers without the last row."""
        *before, last = self.parts
        return Numbers((*before, last[:-1]), may_be_cut=False, notes=self.notes)


def encoding_of(path: Path) -> str:
    """Tell a text's encoding from its beginning.

    Raises
    ------
    OSError
        When it cannot be opened.
    """
    with path.open("rb") as stream:
        head = stream.read(_HEAD_CHARS)
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    start = head[:4096]
    if b"\0" in start.rstrip(b"\0"):
        little = start[1::2].count(0) >= start[0::2].count(0)
        return "utf-16-le" if little else "utf-16-be"
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as fault:
        # The last character of a longer text may be cut in the middle.
        if len(head) < _HEAD_CHARS or fault.start < len(head) - 3:
            return "cp1252"
    return "utf-8-sig"


def head_lines(path: Path, encoding: str) -> list[str]:
    """Return the first lines of a text, without their ends.

    Raises
    ------
    OSError
        When it cannot be opened.
    """
    with path.open(encoding=encoding, errors="replace") as stream:
        text = stream.read(_HEAD_CHARS)
        more = stream.read(1)
    lines = text.rstrip(_BLANK).split("\n")
    # The last line may be cut in the middle.
    return lines[:-1] if more and len(lines) > 1 else lines


def read_numbers(path: Path, encoding: str, layout: CsvLayout) -> Numbers:
    """Return all numbers of a text of a known layout.

    Raises
    ------
    FormatError
        When a line among them cannot be read; the message names it.
    OSError
        When it cannot be opened.
    """
    plain = _plain_numbers(path, encoding, layout)
    return _by_pieces(path, encoding, layout) if plain is None else plain


def _plain_numbers(path: Path, encoding: str, layout: CsvLayout) -> Numbers | None:
    """Return the numbers of a text whose every line is plain to its end, None of any other."""
    some = layout.cells_a_line > len(layout.columns)
    if some or layout.style.decimal == "," or layout.first_line < layout.plain_from:
        return None
    tail = _tail(path, encoding)
    kept, worded = ("", True) if tail is None else _without_tail(layout, tail)
    if tail is None or worded or kept.rstrip(_BLANK) != tail.rstrip(_BLANK):
        return None
    try:
        table = np.loadtxt(
            # Of a relative name numpy would ask whether it is an address on the network.
            path.absolute(),
            delimiter=layout.style.separator,
            comments=None,
            ndmin=2,
            skiprows=layout.first_line,
            encoding=encoding,
        )
    except ValueError:
        return None
    if table.shape[1] != len(layout.columns):
        return None
    may_be_cut = tail[-1:] not in _BLANK and _may_be_cut(kept, layout)
    return Numbers((table,), may_be_cut, ())


def _tail(path: Path, encoding: str) -> str | None:
    """Return the last whole lines of a text; None where they are not to be had, or are no few.

    Of an encoding in which a character has one byte alone, or a line's end does.
    """
    if encoding not in _BYTEWISE or path.stat().st_size < _TAIL_BYTES:
        return None
    with path.open("rb") as stream:
        stream.seek(-_TAIL_BYTES, 2)
        _, _, lines = stream.read().partition(b"\n")
    text = lines.decode("utf-8" if encoding == "utf-8-sig" else encoding, errors="replace")
    # As a text is read line by line.
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text if text.count("\n") > _TAIL_LINES else None


def _by_pieces(path: Path, encoding: str, layout: CsvLayout) -> Numbers:
    parts: list[NDArray[np.float64]] = []
    pieces = _pieces(path, encoding, layout.first_line)
    while not (piece := next(pieces)).is_last:
        parts += _parsed(layout, piece.first, piece.text)
    text, worded = _without_tail(layout, piece.text)
    parts += _parsed(layout, piece.first, text)
    ended = worded or piece.text[-1:] in _BLANK + (layout.style.separator or "")
    may_be_cut = not ended and _may_be_cut(text, layout)
    notes = ("The text after the samples is passed over.",) if worded else ()
    return Numbers(tuple(parts), may_be_cut, notes)


def line_of(path: Path, encoding: str, layout: CsvLayout, row: int) -> int:
    """Return the number of the line, from 1, that a row of numbers stands in."""
    count = -1
    for piece in _pieces(path, encoding, layout.first_line):
        for number, line in enumerate(piece.text.split("\n"), piece.first):
            count += bool(line.strip())
            if count == row:
                return number
    raise IndexError(row)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Whole lines of a text, the number of the first (from 1), and whether none follow."""

    text: str
    first: int
    is_last: bool


def _pieces(path: Path, encoding: str, skip: int) -> Iterator[_Piece]:
    with path.open(encoding=encoding, errors="replace") as stream:
        for _ in range(skip):
            stream.readline()
        first, text = skip + 1, _whole_lines(stream.read(_PIECE_CHARS), stream.readline)
        while True:
            more = _whole_lines(stream.read(_PIECE_CHARS), stream.readline)
            if len(more) < _LEAST_PIECE_CHARS:
                yield _Piece(text + more, first, is_last=True)
                return
            yield _Piece(text, first, is_last=False)
            first, text = first + text.count("\n"), more


def _whole_lines(text: str, readline: Callable[[], str]) -> str:
    return text if not text or text.endswith("\n") else text + readline()


def _without_tail(layout: CsvLayout, text: str) -> tuple[str, bool]:
    """Return the text without what follows the samples, and whether that has words.

    Exports pad their end with empty lines, lines of separators alone, or a time without values.
    """
    blank = _BLANK + (layout.style.separator or "")
    end = text.find("\n", len(text.rstrip(blank)))
    lines = text[: None if end < 0 else end].rsplit("\n", _TAIL_LINES)
    worded = False
    while lines:
        line = lines[-1]
        if line.strip(blank) and not _is_time_alone(layout, line):
            if not _is_text(layout, line):
                break
            worded = True
        lines.pop()
    return "\n".join(lines), worded


def _is_time_alone(layout: CsvLayout, line: str) -> bool:
    cells = layout.style.split(line)
    time, *others = layout.columns
    return (
        layout.timed
        and bool(others)
        and len(cells) > others[0]
        and layout.style.is_number(cells[time])
        and not any(cells[i].strip() for i in others if i < len(cells))
    )


def _is_text(layout: CsvLayout, line: str) -> bool:
    """Tell whether a line begins with a word where rows of samples begin with a number."""
    cells = layout.style.split(line)
    place = layout.columns[0]
    begin = (cells[place] if place < len(cells) else "").strip() or line
    return _BEGINS_TEXT.match(begin) is not None and not layout.style.is_number(begin)


def _may_be_cut(text: str, layout: CsvLayout) -> bool:
    """Tell whether the last number may have lost digits, in a text that ends without line end.

    It has lost none when it has as many places as those above it all have.
    """
    rows = [layout.cells(line) for line in text.rsplit("\n", _TAIL_LINES)[-_TAIL_LINES:]]
    ends = [row[layout.columns[-1]] for row in rows if len(row) > layout.columns[-1]]
    places = {len(end.strip().partition(layout.style.decimal)[2]) for end in ends}
    return len(places) > 1 or 0 in places


def _parsed(layout: CsvLayout, first: int, text: str) -> list[NDArray[np.float64]]:
    """Return the numbers of some lines, shape (rows, columns), and nothing of blank ones."""
    if not text or text.isspace():
        return []
    table = _quickly(layout, text) if first > layout.plain_from else None
    return [_carefully(layout, first, text) if table is None else table]


def _quickly(layout: CsvLayout, text: str) -> NDArray[np.float64] | None:
    """Return the numbers where every line is plain, None where one may not be."""
    separator = layout.style.separator
    if '"' in text:
        return None
    if layout.style.decimal == ",":
        if "." in text or separator == ",":
            return None
        text = text.replace(",", ".")
    some = layout.cells_a_line > len(layout.columns)
    try:
        table = np.loadtxt(
            text.split("\n"),
            delimiter=separator,
            comments=None,
            ndmin=2,
            usecols=layout.columns if some else None,
        )
    except ValueError:
        return None
    # Where some cells are passed over, a line with too many would be too.
    even = not some or text.count(separator or "") == len(table) * (layout.cells_a_line - 1)
    return table if even and table.shape[1] == len(layout.columns) else None


def _carefully(layout: CsvLayout, first: int, text: str) -> NDArray[np.float64]:
    """Return the numbers line by line, or name the first that cannot be read and why."""
    rows = [
        _row(layout, number, line)
        for number, line in enumerate(text.split("\n"), first)
        if line.strip()
    ]
    joined = _INFINITE.sub("inf", "\n".join(rows))
    if layout.style.decimal == ",":
        joined = joined.replace(",", ".")
    return np.loadtxt(joined.split("\n"), delimiter="\t", comments=None, ndmin=2)


def _row(layout: CsvLayout, number: int, line: str) -> str:
    cells = layout.cells(line)
    numbers = [cells[i].strip() if i < len(cells) else "" for i in layout.columns]
    for cell in numbers:
        if not layout.style.is_number(cell):
            raise bad_cell(number, cell)
    if len(cells) > layout.width and number > layout.plain_from:
        raise FormatError(
            f"line {number}: there are {len(cells)} values, {layout.width} in the lines "
            "before; export the file again"
        )
    return "\t".join(numbers)
