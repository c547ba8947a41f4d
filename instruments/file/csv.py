"""Read a scope's CSV export as columns of samples.

The file goes through four steps: its layout (:mod:`instruments.file.csv_layout`), its numbers
(:mod:`instruments.file.csv_numbers`), what each column is (:mod:`instruments.file.csv_columns`),
and what the times say (:mod:`instruments.file.times`).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from instruments.file import statements
from instruments.file.csv_columns import SampleColumn, TableColumns, sort_columns
from instruments.file.csv_layout import CsvLayout, find_layout, said_in
from instruments.file.csv_numbers import Numbers, encoding_of, head_lines, line_of, read_numbers
from instruments.file.held import HeldCapture, is_too_long
from instruments.file.times import TimeBase, UnevenTime, rate_of, read_times
from instruments.file.words import SECONDS
from instruments.source import FormatError

_AGREEMENT = 1e-3
"""A stated interval that is as near as this to the times' own confirms their unit."""
_WITHOUT_RATE = "it has no time column and states no rate; add ?rate=HZ to its address"


def read_csv(path: Path, rate_hz: float | None) -> HeldCapture:
    """Read a CSV export whole.

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
    if is_too_long(path):
        raise FormatError("it is longer than 2 GiB of text; export it as WAV")
    encoding = encoding_of(path)
    layout = find_layout(head_lines(path, encoding))
    numbers = read_numbers(path, encoding, layout)
    notes = numbers.notes
    if numbers.may_be_cut and numbers.rows > 1 and numbers.rows != layout.points:
        numbers = numbers.without_last()
        notes += ("The last line may be cut short; it is left out.",)
    if layout.points is not None and numbers.rows < layout.points:
        notes += (f"The header states {layout.points} samples, {numbers.rows} are there.",)
    columns = sort_columns(layout, numbers)
    text = _Text(path, encoding, layout, numbers, columns)
    timing = _timing(text, rate_hz)
    titles = tuple(channel.title for channel in columns.channels)
    return HeldCapture(
        kind="text",
        samples_v=tuple(
            _volts(numbers, channel, paired=timing.paired) for channel in columns.channels
        ),
        base=timing.base,
        relative=tuple(channel.relative for channel in columns.channels),
        titles=titles if any(titles) else (),
        units=tuple(channel.unit for channel in columns.channels),
        notes=(*notes, *columns.notes, *timing.notes),
        min_max=timing.min_max,
    )


@dataclass(frozen=True, slots=True)
class _Text:
    """A text whose columns are known."""

    path: Path
    encoding: str
    layout: CsvLayout
    numbers: Numbers
    columns: TableColumns


@dataclass(frozen=True, slots=True)
class _Timing:
    """When the samples were taken; `paired` means that two rows are one pair of extremes."""

    base: TimeBase
    notes: tuple[str, ...] = ()
    min_max: bool = False
    paired: bool = False


def _timing(text: _Text, rate_hz: float | None) -> _Timing:
    columns = text.columns
    beside = any(channel.upper is not None for channel in columns.channels)
    timing = _rows_timing(text, rate_hz)
    if not beside:
        return timing
    # Each row holds both extremes of its stretch of time: two frames.
    return _Timing(_twice(timing.base), timing.notes, min_max=True)


def _rows_timing(text: _Text, rate_hz: float | None) -> _Timing:
    """Tell when the rows were taken, as if each were one frame or half a pair."""
    columns = text.columns
    if rate_hz is not None:
        passed = ("The rate is as stated; the time column is passed over.",)
        return _Timing(TimeBase(rate_hz), passed if columns.time is not None else ())
    if columns.time is not None:
        return _from_column(text, text.numbers.column(columns.time))
    if text.layout.interval_s is not None:
        return _Timing(TimeBase(rate_of(text.layout.interval_s)))
    beside = _header_beside(text.path)
    if beside is None:
        raise FormatError(_WITHOUT_RATE)
    header, interval_s = beside
    return _Timing(TimeBase(rate_of(interval_s)), (f"The rate is from “{header.name}” beside it.",))


def _from_column(text: _Text, times: NDArray[np.float64]) -> _Timing:
    if len(times) < 2:
        raise FormatError("it holds a single sample; record it again")
    unit, stated = text.columns.time_unit, text.layout.interval_s
    paired = _are_paired(times) and all(
        _are_extremes(text.numbers.column(channel.column)) for channel in text.columns.channels
    )
    try:
        with np.errstate(all="ignore"):  # absurd times overflow, and are refused for it
            scale = SECONDS.get(unit or "", 1.0)
            seconds = times if scale == 1.0 else times * scale
        segments_s = statements.segment_times(text.layout.header)
        base = read_times(seconds[::2] if paired else seconds, stated, segments_s)
    except UnevenTime as fault:
        row = 2 * fault.row if paired else fault.row
        line = line_of(text.path, text.encoding, text.layout, row)
        raise FormatError(
            f"line {line}: {fault.what}; export evenly sampled data, or state ?rate=HZ"
        ) from None
    notes: tuple[str, ...] = ()
    agrees = stated is not None and abs(base.rate_hz * stated - 1) < _AGREEMENT
    if stated is not None and not agrees:
        if unit not in SECONDS:
            raise FormatError("its times and the interval in its header differ; state ?rate=HZ")
        notes += ("The header states another interval; the times are believed.",)
    if unit not in SECONDS and not agrees:
        notes += ("The time column has no unit that is known; seconds are assumed.",)
    if base.coarse:
        whose = "the header's" if agrees else "their average"
        notes += (f"The times are printed coarsely; the rate is {whose}.",)
    return _Timing(_twice(base) if paired else base, notes, min_max=paired, paired=paired)


def _are_paired(times: NDArray[np.float64]) -> bool:
    """Tell whether each time stands there twice, as with pairs of extremes."""
    first, second = times[::2], times[1::2]
    return len(first) == len(second) > 1 and bool(
        np.array_equal(first, second) and np.all(np.diff(first) > 0)
    )


def _are_extremes(values: NDArray[np.float64]) -> bool:
    """Tell whether of two rows the one is never below the other."""
    steps = values[1::2] - values[::2]
    return bool(np.all(steps >= 0) or np.all(steps <= 0))


def _twice(base: TimeBase) -> TimeBase:
    """Return the times of frames of which two stand for one row."""
    starts, indices = (
        tuple(2 * place for place in places) for places in (base.starts, base.indices)
    )
    return TimeBase(2 * base.rate_hz, starts, indices, base.coarse)


def _volts(numbers: Numbers, channel: SampleColumn, *, paired: bool) -> NDArray[np.float32]:
    values = numbers.column(channel.column)
    if paired:
        pairs = values.reshape(-1, 2)
    elif channel.upper is not None:
        pairs = np.column_stack((values, numbers.column(channel.upper)))
    else:
        pairs = None
    if pairs is not None:
        values = np.sort(pairs, axis=1).ravel()
    with np.errstate(all="ignore"):  # what no float32 holds becomes infinite
        if channel.volts != 1.0:
            values *= channel.volts
        return values.astype(np.float32)


def _header_beside(path: Path) -> tuple[Path, float] | None:
    """Return a file of the same name beside a capture that states the interval, and what it states.

    ``x.Wfm.csv`` has its header in ``x.csv``, ``x.csv`` in ``x.hdr``.
    """
    named = {path.with_suffix(".hdr"), path.with_suffix(".HDR")}
    for inner in (".wfm", ".Wfm", ".WFM"):
        if path.stem.endswith(inner):
            named.add(path.with_name(path.stem.removesuffix(inner) + path.suffix))
    for header in sorted(named - {path}):
        if header.is_file():
            lines = said_in(head_lines(header, encoding_of(header)))
            interval_s = statements.first_of(statements.stated_interval_s, lines)
            if interval_s is not None:
                return header, interval_s
    return None
