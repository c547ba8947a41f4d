"""What each column of a CSV is: time, a counter, a channel or its extremes; and in which unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from instruments.file import statements
from instruments.file.csv_layout import CsvLayout, unit_of_column
from instruments.file.csv_numbers import Numbers
from instruments.file.roles import role_in
from instruments.file.words import (
    NOT_VOLTS,
    OTHER_QUANTITIES,
    SECONDS,
    VOLTS,
    base_of_extremes,
    channel_in,
    names_counter,
    names_time,
    unit_of,
)
from instruments.source import FormatError

_CODES_A_DIVISION = 25
"""Of the layout whose codes follow ``Waveform Data``: 8 bits over ten divisions and a margin."""


@dataclass(frozen=True, slots=True)
class SampleColumn:
    """A column of samples.

    Attributes
    ----------
    column : int
        Its number among the columns of numbers.
    upper : int or None
        The column of its other extremes, where each sample is a pair.
    title, unit : str
        Heading and unit as they are written, empty where there are none.
    volts : float
        Volts of one unit.
    relative : str
        Why its volts are relative, in words; empty where they are not.
    """

    column: int
    upper: int | None
    title: str
    unit: str
    volts: float
    relative: str


@dataclass(frozen=True, slots=True)
class TableColumns:
    """The columns of a table, sorted.

    Attributes
    ----------
    time : int or None
        The column of times, where there is one.
    time_unit : str or None
        Its unit, in lower case, where it is stated.
    counted : bool
        Whether a column counts the samples.
    channels : tuple of Channel
        The others.
    notes : tuple of str
        What was left out.
    """

    time: int | None
    time_unit: str | None
    counted: bool
    channels: tuple[SampleColumn, ...]
    notes: tuple[str, ...]


def sort_columns(layout: CsvLayout, numbers: Numbers) -> TableColumns:
    """Tell what each column of numbers is.

    Raises
    ------
    FormatError
        When there are times that differ, or nothing but logic levels.
    """
    count = len(layout.columns)
    titles = layout.titles or ("",) * count
    units = [unit_of_column(layout.titles, layout.units, i) for i in range(count)]
    counted = (
        count > 1 and _counts(numbers) and names_counter(titles[0]) and units[0] not in SECONDS
    )
    first = 1 if counted else 0
    timed = first + 1 < count and _is_time(layout, numbers, first, counted=counted)
    time = first if timed else None
    rest = range(first, count)
    if time is not None:
        rest = _without_times(rest, numbers, time, titles, units)
    pairs, alone, notes = _extremes(list(rest), titles, numbers)
    if all(_is_logic(numbers, i) for i in alone):
        raise FormatError("it holds logic levels, no samples; export the analogue channels")
    keyed = statements.vertical_units(layout.header, [layout.columns[i] for i in rest])
    keyed = {layout.columns.index(cell): unit for cell, unit in keyed.items()}
    labels = statements.labels(layout.header, [layout.columns[i] for i in rest])
    codes = {} if timed else _code_scales(layout, numbers, rest)
    channels = []
    for i in alone:
        unit = units[i] or unit_of(keyed.get(i, ""))
        title = f"{titles[i]} {labels.get(layout.columns[i], '')}".strip()
        channels.append(_channel(i, pairs.get(i), title, unit, codes.get(i)))
    if all(channel.unit in OTHER_QUANTITIES for channel in channels):
        raise FormatError(
            f"its samples are in “{channels[0].unit}”, and none in volts; export voltages"
        )
    time_unit = None if time is None else units[time]
    return TableColumns(time, time_unit, counted, tuple(channels), notes)


def _is_time(layout: CsvLayout, numbers: Numbers, column: int, *, counted: bool) -> bool:
    title = layout.titles[column] if layout.titles else ""
    unit = unit_of_column(layout.titles, layout.units, column)
    if names_time(title) or unit in SECONDS:
        return True
    if counted and title:
        return False
    signal = role_in(title) is not None or unit in VOLTS
    return not signal and _rises(numbers.column(column))


def _without_times(
    rest: range,
    numbers: Numbers,
    time: int,
    titles: tuple[str, ...],
    units: list[str | None],
) -> range | list[int]:
    """Leave out the time, also where it stands once more, and refuse times that are others."""
    kept = []
    for i in rest:
        same = (np.array_equal(part[:, i], part[:, time]) for part in numbers.parts)
        if i == time or all(same):
            continue
        if units[i] in SECONDS or (titles[i] and names_time(titles[i])):
            raise FormatError("its channels have times that differ; export them one by one")
        kept.append(i)
    if not kept:
        raise FormatError("it holds times and no samples; export the channels too")
    return kept


def _extremes(
    rest: list[int], titles: tuple[str, ...], numbers: Numbers
) -> tuple[dict[int, int], list[int], tuple[str, ...]]:
    """Return each column's partner in pairs of extremes, the columns that stay, and notes.

    Where a column and its partner are not the lower and the upper of each pair throughout, the
    column holds samples, and its extremes are left out.
    """
    partners: dict[int, int] = {}
    seen: dict[str, int] = {}
    for i in rest:
        base = channel_in(titles[i])
        if base and base in seen and base_of_extremes(titles[i]) is not None:
            partners[seen[base]] = i
        else:
            seen[base] = i
    alone = [i for i in rest if i not in partners.values()]
    if not partners:
        return {}, alone, ()
    if set(partners) == set(alone) and all(
        _ordered(numbers.column(low), numbers.column(high)) for low, high in partners.items()
    ):
        return partners, alone, ()
    return {}, alone, ("Columns of extremes stand beside the samples; they are left out.",)


def _ordered(one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    return bool(np.all(one <= other) or np.all(one >= other))


def _code_scales(layout: CsvLayout, numbers: Numbers, rest: range | list[int]) -> dict[int, float]:
    """Return the volts of a code by column, in the layout that states volts a division.

    The same head stands over volts too: beside times, or with digits behind the point.
    """
    if not statements.holds_codes(layout.header):
        return {}
    stated = statements.vertical_scales(layout.header, [layout.columns[i] for i in rest])
    return {
        layout.columns.index(cell): float(text.replace(",", ".")) / _CODES_A_DIVISION
        for cell, text in stated.items()
        if layout.style.is_number(text) and _is_whole(numbers, layout.columns.index(cell))
    }


def _channel(
    column: int, upper: int | None, title: str, unit: str | None, code_v: float | None
) -> SampleColumn:
    if code_v is not None:
        return SampleColumn(column, upper, title, "code", code_v, "")
    relative = ""
    if unit in NOT_VOLTS:
        relative = f"A column is in “{unit}”, not volts; its volts are relative."
    elif unit not in VOLTS:
        relative = "A column has no unit that is known; its volts are relative."
    return SampleColumn(column, upper, title, unit or "", VOLTS.get(unit or "", 1.0), relative)


def _is_logic(numbers: Numbers, column: int) -> bool:
    """Tell whether a column holds nothing but 0 and 1, and both."""
    columns = [part[:, column] for part in numbers.parts]
    return all(bool(np.all((each == 0.0) | (each == 1.0))) for each in columns) and all(
        any(bool(np.any(each == level)) for each in columns) for level in (0.0, 1.0)
    )


def _is_whole(numbers: Numbers, column: int) -> bool:
    """Tell whether a column holds whole numbers alone."""
    return all(bool(np.all(np.rint(part[:, column]) == part[:, column])) for part in numbers.parts)


def _counts(numbers: Numbers) -> bool:
    """Tell whether the first column counts the rows by one."""
    begin = numbers.parts[0][:2, 0]
    if len(begin) < 2 or begin[0] != np.rint(begin[0]) or begin[1] != begin[0] + 1:
        return False
    with np.errstate(all="ignore"):
        return bool(np.all(np.diff(numbers.column(0)) == 1))


def _rises(values: NDArray[np.float64]) -> bool:
    """Tell whether values without a heading can only be times: they never fall."""
    with np.errstate(all="ignore"):
        return bool(np.all(np.diff(values) >= 0) and values[-1] > values[0])
