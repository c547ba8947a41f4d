"""A scope's CSV export as columns of samples."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from instruments.capture.columns import role_in
from instruments.capture.csvlayout import Layout, bad_cell, find_layout
from instruments.capture.description import Description
from instruments.capture.timebase import TimeBase, UnevenTime, read_times
from instruments.capture.units import (
    NOT_VOLTS,
    SECONDS,
    VOLTS,
    names_counter,
    names_time,
    unit_in,
    unit_of,
)
from instruments.source import FormatError

_BLOCK_FRAMES = 262_144
_HEAD_CHARS = 1 << 18
"""The layout is told from this much text; a header longer than that is none."""
_CHUNK_CHARS = 1 << 22
_BLANK = " \t\r\n\f\x1a\0"
_AGREEMENT = 1e-3
"""A stated interval that is as near as this to the times' own confirms their unit."""
_TAIL_CHARS, _TAIL_LINES = 10_000, 50
"""As much of a text's end shows how many places its numbers have."""
_MOST_BYTES = 2 << 30


class CsvCapture:
    """A CSV export, read whole.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    rate_hz : float or None
        Samples a second, when the user states it; a time column is then passed over.

    Raises
    ------
    FormatError
        When it cannot be read; the message follows the file's name.
    OSError
        When it cannot be opened.
    """

    description = Description()
    full_scale_v: float | None = None

    def __init__(self, path: Path, rate_hz: float | None) -> None:
        if path.stat().st_size > _MOST_BYTES:
            raise FormatError("it is longer than 2 GiB of text; export it as WAV")
        text = _decoded(path.read_bytes())
        if "\r" in text:
            text = text.replace("\r\n", "\n").replace("\r", "\n")
        last = text[-1:]
        text = text.rstrip(_BLANK)
        layout = find_layout(_head_lines(text))
        # Exports pad their end with empty lines and lines of separators alone.
        blank = _BLANK + (layout.style.separator or "")
        text = text.rstrip(blank)
        table = _numbers(text, layout)
        self.notes: tuple[str, ...] = ()
        if last not in blank and len(table) > 1 and _may_be_cut(text, layout, len(table)):
            table = table[:-1]
            self.notes += ("The last line may be cut short; it is left out.",)
        if layout.points is not None and len(table) < layout.points:
            self.notes += (f"The header states {layout.points} samples, {len(table)} are there.",)
        first, base = self._time(text, layout, table, rate_hz)
        self.rate_hz = base.rate_hz
        self._ends = (*base.starts[1:], len(table))
        self._indices = base.indices
        self._stretch = 0
        self._row = 0
        self.titles = layout.titles[first:]
        self.channels = table.shape[1] - first
        self.length_frames = base.indices[-1] + len(table) - base.starts[-1]
        self.uncalibrated = False
        self._samples_v = self._volts(layout, table, first)

    def read(self, columns: tuple[int, ...]) -> tuple[int, bool, NDArray[np.float32]] | None:
        """Return the next frames, or None at the end.

        Parameters
        ----------
        columns : tuple of int
            Columns wanted, in order, time not counted.

        Returns
        -------
        tuple of (int, bool, numpy.ndarray) or None
            Absolute index of the first frame, whether frames are missing before it, and float32
            samples, shape (frames, columns), in volts, C-contiguous and of their own.
        """
        if self._row == len(self._samples_v):
            return None
        start = 0 if self._stretch == 0 else self._ends[self._stretch - 1]
        stop = min(self._row + _BLOCK_FRAMES, self._ends[self._stretch])
        samples = np.array(self._samples_v[self._row : stop, columns], order="C")
        first = self._indices[self._stretch] + self._row - start
        gap = self._row == start and self._stretch > 0
        self._row = stop
        if stop == self._ends[self._stretch]:
            self._stretch += 1
        return first, gap, samples

    def close(self) -> None:
        """Let go of the samples."""
        self._samples_v = self._samples_v[:0]
        self._row = 0

    def _time(
        self, text: str, layout: Layout, table: NDArray[np.float64], rate_hz: float | None
    ) -> tuple[int, TimeBase]:
        """Return the number of the first signal column, and what is known of the time."""
        title = layout.titles[0] if layout.titles else ""
        unit = _unit(layout, 0)
        counter = _counts(table[:, 0]) and names_counter(title) and unit not in SECONDS
        signal = role_in(title) is not None or unit in VOLTS
        timed = names_time(title) or (_rises(table[:, 0]) and not signal)
        first = 1 if table.shape[1] > 1 and (counter or timed) else 0
        if rate_hz is not None:
            if first and not counter:
                self.notes += ("The rate is as stated; the time column is passed over.",)
            return first, TimeBase(rate_hz, (0,), (0,))
        if not first or counter:
            if layout.interval_s is None:
                raise FormatError(
                    "it has no time column and states no rate; add ?rate=HZ to its address"
                )
            return first, TimeBase(float(f"{1 / layout.interval_s:.9g}"), (0,), (0,))
        return first, self._from_column(text, layout, table[:, 0], unit)

    def _from_column(
        self, text: str, layout: Layout, times: NDArray[np.float64], unit: str | None
    ) -> TimeBase:
        if len(times) < 2:
            raise FormatError("it holds a single sample; record it again")
        try:
            with np.errstate(all="ignore"):  # absurd times overflow, and are refused for it
                base = read_times(times * SECONDS.get(unit or "", 1.0))
        except UnevenTime as fault:
            line = next(
                number for row, (number, _) in enumerate(_rows(text, layout)) if row == fault.row
            )
            raise FormatError(
                f"line {line}: {fault.what}; export evenly sampled data, or state ?rate=HZ"
            ) from None
        stated = layout.interval_s
        agrees = stated is not None and abs(base.rate_hz * stated - 1) < _AGREEMENT
        if unit not in SECONDS and not agrees:
            self.notes += ("The time column has no unit that is known; seconds are assumed.",)
        if base.coarse:
            self.notes += ("The times are printed coarsely; the rate is their average.",)
        return base

    def _volts(self, layout: Layout, table: NDArray[np.float64], first: int) -> NDArray[np.float32]:
        units = [_unit(layout, i) for i in range(first, table.shape[1])]
        scales = np.array([VOLTS.get(unit or "", 1.0) for unit in units])
        odd = sorted({unit for unit in units if unit is not None and unit in NOT_VOLTS})
        if odd:
            self.uncalibrated = True
            self.notes += (f"A column is in “{odd[0]}”, not volts; its volts are relative.",)
        with np.errstate(all="ignore"):  # what no float32 holds becomes infinite
            return np.ascontiguousarray(table[:, first:] * scales, np.float32)


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    head = data[:4096]
    if b"\0" in head:
        little = head[1::2].count(0) >= head[0::2].count(0)
        return data.decode("utf-16-le" if little else "utf-16-be", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _may_be_cut(text: str, layout: Layout, count: int) -> bool:
    """Tell whether the last number may have lost digits, in a text that ends without line end.

    It has lost none when it has as many places as those above it all have.
    """
    rows = [
        layout.cells(line) for line in text[-_TAIL_CHARS:].split("\n")[-min(count, _TAIL_LINES) :]
    ]
    ends = [row[layout.columns[-1]] for row in rows if len(row) > layout.columns[-1]]
    places = {len(end.partition(layout.style.decimal)[2]) for end in ends}
    return len(places) > 1 or 0 in places


def _head_lines(text: str) -> list[str]:
    lines = text[:_HEAD_CHARS].split("\n")
    # The last line may be cut in the middle.
    return lines if len(text) <= _HEAD_CHARS or len(lines) == 1 else lines[:-1]


def _chunks(text: str, layout: Layout) -> Iterator[tuple[int, list[str]]]:
    """Yield runs of lines, each with the number of its first line (from 1)."""
    position, number, skip = 0, 1, layout.first_line
    while position < len(text):
        stop = min(position + _CHUNK_CHARS, len(text))
        if stop < len(text):
            found = text.find("\n", stop)
            stop = len(text) if found < 0 else found + 1
        lines = text[position:stop].removesuffix("\n").split("\n")
        yield number + skip, lines[skip:]
        number += len(lines)
        skip = max(0, skip - len(lines))
        position = stop


def _rows(text: str, layout: Layout) -> Iterator[tuple[int, str]]:
    """Yield the lines of numbers, each with its number in the file (from 1)."""
    for first, lines in _chunks(text, layout):
        for number, line in enumerate(lines, first):
            if line.strip():
                yield number, line


def _numbers(text: str, layout: Layout) -> NDArray[np.float64]:
    """Return all numbers, shape (rows, columns)."""
    parts = [_parsed(layout, number, lines) for number, lines in _chunks(text, layout)]
    return np.concatenate([part for part in parts if part.size])


def _parsed(layout: Layout, number: int, lines: list[str]) -> NDArray[np.float64]:
    if not any(map(str.strip, lines)):
        return np.empty((0, len(layout.columns)))
    try:
        table = np.loadtxt(
            _plain(layout, lines),
            delimiter="\t" if layout.style.separator else None,
            comments=None,
            ndmin=2,
            usecols=layout.columns if len(layout.columns) < layout.width else None,
        )
    except ValueError:
        raise _fault(layout, number, lines) from None
    if table.shape[1] != len(layout.columns):
        raise _fault(layout, number, lines)
    return table


def _plain(layout: Layout, lines: list[str]) -> list[str]:
    """Return the lines with tabs between cells (or spaces as they are) and decimal points."""
    style = layout.style
    text = "\n".join((*lines, ""))
    if '"' in text:
        text = "\n".join("\t".join(style.split(line)) for line in (*lines, ""))
    elif style.separator is not None:
        text = text.replace(style.separator, "\t")
    if style.decimal == "," and "," in text:
        if "." in text:
            raise ValueError("decimal points among decimal commas")
        text = text.replace(",", ".")
    if style.separator is not None and any(end in text for end in ("\t\n", " \n")):
        text = re.sub(r"(?<=[^\t\n ])[\t ]+$", "", text, flags=re.MULTILINE)
    return text.split("\n")


def _fault(layout: Layout, first: int, lines: list[str]) -> FormatError:
    """Name the first line that cannot be read, and what is wrong with it."""
    for number, line in enumerate(lines, first):
        if not line.strip():
            continue
        cells = layout.cells(line)
        for column in layout.columns:
            cell = cells[column].strip() if column < len(cells) else ""
            if not layout.style.is_number(cell):
                return bad_cell(number, cell)
        if len(cells) > layout.width:
            return FormatError(
                f"line {number}: there are {len(cells)} values, {layout.width} in the lines "
                "before; export the file again"
            )
    return FormatError(f"its numbers cannot be read from line {first} on; export it again")


def _unit(layout: Layout, column: int) -> str | None:
    unit = unit_of(layout.units[column]) if layout.units else None
    if unit is None and layout.titles:
        unit = unit_in(layout.titles[column])
    return unit


def _counts(values: NDArray[np.float64]) -> bool:
    with np.errstate(all="ignore"):
        steps = np.diff(values)
    return bool(steps.size and values[0] == np.rint(values[0]) and np.all(steps == 1))


def _rises(values: NDArray[np.float64]) -> bool:
    """Tell whether values without a heading can only be times: they never fall."""
    with np.errstate(all="ignore"):
        return bool(np.all(np.diff(values) >= 0) and values[-1] > values[0])
