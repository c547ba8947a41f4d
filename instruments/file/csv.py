"""Read a scope's CSV export as columns of samples.

The file goes through three steps: its layout (:mod:`instruments.file.csv_layout`) gives the
numbers, the titles decide which column carries which role, and the times give the sample rate and
the places where samples are missing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from instruments.file.csv_layout import (
    LONGEST_S,
    NOT_VOLTS,
    SECONDS,
    SHORTEST_S,
    VOLTS,
    CsvLayout,
    bad_cell,
    find_layout,
    names_counter,
    names_time,
    unit_in,
    unit_of,
)
from instruments.file.description import Description
from instruments.source import AddressError, FormatError, Role

_WORDS = {
    "plus": Role.PLUS,
    "positive": Role.PLUS,
    "minus": Role.MINUS,
    "negative": Role.MINUS,
    "differential": Role.DIFFERENTIAL,
    "diff": Role.DIFFERENTIAL,
    "envelope": Role.ENVELOPE,
    "index": Role.INDEX,
}
_SIGNALS = ((Role.PLUS, Role.MINUS), (Role.DIFFERENTIAL,), (Role.ENVELOPE,))
_DEFAULTS = {1: (Role.DIFFERENTIAL,), 2: (Role.PLUS, Role.MINUS)}
_DEFAULT = (Role.PLUS, Role.MINUS, Role.INDEX)


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """The columns to deliver, the role of each, and who said so.

    ``roles_from`` is ``"given"``, ``"file"`` or ``"default"``.
    """

    roles: tuple[Role, ...]
    columns: tuple[int, ...]
    roles_from: str


def choose_columns(
    name: str,
    channels: int,
    requested: tuple[Role | None, ...] | None,
    described: tuple[Role, ...] = (),
    titles: tuple[str, ...] = (),
) -> ColumnChoice:
    """Decide which columns of a capture are delivered, and as what.

    Parameters
    ----------
    name : str
        The capture, for messages.
    channels : int
        Columns that it has, time not counted.
    requested : tuple of (Role or None) or None
        What the user says, None for a column to skip.
    described : tuple of Role
        What the capture says of itself, one a column.
    titles : tuple of str
        Headings of its columns.

    Raises
    ------
    AddressError
        When more columns are named than there are.
    """
    if requested is not None:
        if len(requested) > channels:
            raise AddressError(
                f"capture “{name}”: the roles name {_count(len(requested))}, but it has "
                f"{_count(channels)}; name no more than it has"
            )
        return _choice({i: role for i, role in enumerate(requested) if role is not None}, "given")
    if described:
        return _choice(dict(enumerate(described)), "file")
    found = {i: role for i, role in enumerate(map(role_in, titles)) if role is not None}
    return _by_titles(found) or _by_default(found, channels)


def _by_titles(found: dict[int, Role]) -> ColumnChoice | None:
    """Take the first set of signals that the headings name once each, and the index."""
    named = list(found.values())
    for signals in _SIGNALS:
        if all(named.count(role) == 1 for role in signals):
            wanted = {*signals, Role.INDEX} if named.count(Role.INDEX) == 1 else {*signals}
            return _choice({i: role for i, role in found.items() if role in wanted}, "file")
    return None


def _by_default(found: dict[int, Role], channels: int) -> ColumnChoice:
    index = [i for i, role in found.items() if role is Role.INDEX]
    if len(index) != 1 or channels == 1:
        return _choice(dict(enumerate(_DEFAULTS.get(channels, _DEFAULT))), "default")
    # One column is headed "index", whichever its place: the signals are the others.
    others = [i for i in range(channels) if i != index[0]]
    roles = dict(zip(others, _DEFAULTS.get(len(others), _DEFAULT[:2]), strict=False))
    return _choice(dict(sorted({**roles, index[0]: Role.INDEX}.items())), "default")


def _choice(roles: dict[int, Role], roles_from: str) -> ColumnChoice:
    return ColumnChoice(tuple(roles.values()), tuple(roles), roles_from)


def role_in(title: str) -> Role | None:
    """Return the role that a heading such as ``CH1 (plus)`` names, if it names just one."""
    named = {_WORDS[word] for word in re.findall(r"[a-z]+", title.lower()) if word in _WORDS}
    return named.pop() if len(named) == 1 else None


def _count(number: int) -> str:
    return "1 column" if number == 1 else f"{number} columns"


_JITTER = 0.3
"""A sample may be off its place by this part of the interval; a missing one moves them by 0.5."""
_COARSE_PART = 0.01
"""Times of which this part or more repeat are printed with too few digits, not out of order."""
_COARSE_LEAST = 3
_COARSEST = 1e-4
"""Largest step of coarse times, as a part of their span, from which the rate is well known."""
_MOST_INTERVALS = 2**53
"""A float64 counts no further."""


class UnevenTime(Exception):  # noqa: N818 - named for what the times are
    """The times fit no constant rate; ``row`` is the first that does not, ``what`` says how."""

    def __init__(self, row: int, what: str) -> None:
        super().__init__(what)
        self.row = row
        self.what = what


@dataclass(frozen=True, slots=True)
class TimeBase:
    """What a column of times says.

    Attributes
    ----------
    rate_hz : float
        Samples a second.
    starts : tuple of int
        First row of each unbroken stretch; the first is 0.
    indices : tuple of int
        Absolute index of each of those rows, missing samples counted.
    coarse : bool
        The times repeat: they are printed with fewer digits than the rate needs.
    """

    rate_hz: float
    starts: tuple[int, ...]
    indices: tuple[int, ...]
    coarse: bool = False


def read_times(times_s: NDArray[np.float64]) -> TimeBase:
    """Find the rate, and where samples are missing.

    Parameters
    ----------
    times_s : numpy.ndarray
        float64, shape (rows,), rows >= 2.

    Raises
    ------
    UnevenTime
        When the times go back, stand still, or step by other than whole intervals.
    """
    wrong = np.flatnonzero(~np.isfinite(times_s))
    if wrong.size:
        raise UnevenTime(int(wrong[0]), "the time is not a number")
    with np.errstate(all="ignore"):  # absurd times overflow, and are refused for it
        return _checked(times_s, np.diff(times_s))


def _checked(times_s: NDArray[np.float64], steps: NDArray[np.float64]) -> TimeBase:
    back = np.flatnonzero(steps < 0)
    if back.size:
        raise UnevenTime(int(back[0]) + 1, "the time goes back")
    still = np.flatnonzero(steps == 0)
    coarse = still.size >= max(_COARSE_LEAST, _COARSE_PART * steps.size)
    if still.size == steps.size or (still.size and not coarse):
        raise UnevenTime(int(still[0]) + 1, "the time stands still")
    index = np.arange(times_s.size)
    rate_hz = _rate(index, times_s)
    quantum = float(steps[steps > 0].min()) if coarse else 0.0
    if np.abs(_drift(index, times_s, rate_hz)).max() <= max(_JITTER, 0.75 * quantum * rate_hz):
        if quantum > _COARSEST * (times_s[-1] - times_s[0]):
            raise UnevenTime(int(still[0]) + 1, "the times have too few digits to tell the rate")
        return TimeBase(rate_hz, (0,), (0,), coarse)
    return _with_gaps(times_s, steps)


def _with_gaps(times_s: NDArray[np.float64], steps: NDArray[np.float64]) -> TimeBase:
    typical = float(np.median(steps))
    if typical <= 0:
        raise UnevenTime(1, "the time stands still")
    near = steps[np.abs(steps - typical) < 0.5 * typical]
    counts = steps / (near.mean() if near.size else typical)
    whole = np.rint(counts)
    odd = np.flatnonzero(~((np.abs(counts - whole) <= _JITTER) & (whole >= 1)))
    if not odd.size and whole.sum() > _MOST_INTERVALS:
        odd = np.array([int(whole.argmax())])
    if odd.size:
        raise UnevenTime(int(odd[0]) + 1, "the time steps by other than a whole interval")
    index = np.concatenate(([0], np.cumsum(whole.astype(np.int64))))
    rate_hz = _rate(index, times_s)
    odd = np.flatnonzero(~(np.abs(_drift(index, times_s, rate_hz)) <= _JITTER))
    if odd.size:
        raise UnevenTime(int(odd[0]), "the time steps unevenly")
    rows = np.flatnonzero(whole > 1) + 1
    return TimeBase(
        rate_hz,
        (0, *(int(row) for row in rows)),
        (0, *(int(index[row]) for row in rows)),
    )


def _drift(
    index: NDArray[np.int64], times_s: NDArray[np.float64], rate_hz: float
) -> NDArray[np.float64]:
    """Return how far each time is off the straight line, in intervals."""
    return (times_s - times_s.mean()) * rate_hz - (index - index.mean())


def _rate(index: NDArray[np.int64], times_s: NDArray[np.float64]) -> float:
    """Return the rate of the straight line through the times, to nine digits.

    More digits than that are rounding of the printed times.
    """
    centred = index - index.mean()
    slope = float(centred @ (times_s - times_s.mean()) / (centred @ centred))
    if not SHORTEST_S <= slope <= LONGEST_S:
        raise UnevenTime(1, f"the interval of {slope:.3g} s cannot be")
    return float(f"{1 / slope:.9g}")


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
        self, text: str, layout: CsvLayout, table: NDArray[np.float64], rate_hz: float | None
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
        self, text: str, layout: CsvLayout, times: NDArray[np.float64], unit: str | None
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

    def _volts(
        self, layout: CsvLayout, table: NDArray[np.float64], first: int
    ) -> NDArray[np.float32]:
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


def _may_be_cut(text: str, layout: CsvLayout, count: int) -> bool:
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


def _chunks(text: str, layout: CsvLayout) -> Iterator[tuple[int, list[str]]]:
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


def _rows(text: str, layout: CsvLayout) -> Iterator[tuple[int, str]]:
    """Yield the lines of numbers, each with its number in the file (from 1)."""
    for first, lines in _chunks(text, layout):
        for number, line in enumerate(lines, first):
            if line.strip():
                yield number, line


def _numbers(text: str, layout: CsvLayout) -> NDArray[np.float64]:
    """Return all numbers, shape (rows, columns)."""
    parts = [_parsed(layout, number, lines) for number, lines in _chunks(text, layout)]
    return np.concatenate([part for part in parts if part.size])


def _parsed(layout: CsvLayout, number: int, lines: list[str]) -> NDArray[np.float64]:
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


def _plain(layout: CsvLayout, lines: list[str]) -> list[str]:
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


def _fault(layout: CsvLayout, first: int, lines: list[str]) -> FormatError:
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


def _unit(layout: CsvLayout, column: int) -> str | None:
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
