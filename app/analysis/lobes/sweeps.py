"""Separate records, as a scope delivers them: each is read by itself, and they are averaged.

What noise does to them averages out; what none of them tells is the same in all (JCGM 100, 5.2).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from math import sqrt
from typing import NamedTuple

import numpy as np

from app.analysis import messages
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.lobes.analyser import Analyser
from app.analysis.lobes.heights import Heights, balance_of, invalid, with_balance
from app.analysis.results import Message, Quantity, Reading, Side, Sign, Trace
from app.analysis.uncertainty import excess_u

_RECENT = 4
_QUIET_U = 0.012
"""Records are averaged until the balance's standard uncertainty is below this, or four of them."""


class ReadRecord(NamedTuple):
    """A record's reading, and the same without what no record tells."""

    reading: Reading
    told: Reading


class SweepAnalyser:
    """Takes whole records, of samples or of min/max pairs, and holds the newest reading.

    Parameters
    ----------
    keep_all : bool
        Keep every record's reading for :meth:`summary`; otherwise only the last ones.
    """

    def __init__(self, setup: Setup, *, keep_all: bool) -> None:
        self._setup = setup
        self._records: deque[ReadRecord] = deque(maxlen=None if keep_all else _RECENT)
        self._first_index: int | None = None
        self._end_index = 0
        self._turns = 0
        self.reading = Reading(valid=False, reasons=(messages.WAITING,))
        """The newest reading."""
        self.trace: Trace | None = None
        """The newest whole turn."""
        self.locked = False
        """Whether the newest record held a whole turn."""
        self.teaching = False
        """Never: records share no count of lobes that could be taught."""
        self.moving = None
        """Never: a record is read whole."""
        self.taught = None
        """Nothing, therefore."""

    def push(self, block: SampleBlock) -> bool:
        """Take one whole record and return whether there is a new reading (always)."""
        if self._first_index is None:
            self._first_index = block.first_index
        self._end_index = block.first_index + len(block.samples_v)
        one = Analyser(replace(self._setup, min_max=block.min_max), keep_all=True)
        one.push(block)
        one.finish()
        newest = replace(one.summary(), first_index=block.first_index, end_index=self._end_index)
        self._turns += newest.revolutions
        self.locked = newest.revolutions > 0
        if one.trace is not None:
            self.trace = replace(one.trace, number=self._turns)
        self._records.append(ReadRecord(newest, one.told or newest))
        self.reading = self._recent()
        return True

    def finish(self) -> None:
        """Do nothing: every record is read when it comes."""

    def summary(self) -> Reading:
        """Return the reading over all records kept."""
        if not self._records:
            return invalid(Reading(valid=False), messages.NO_WHOLE_TURN)
        whole = average(self._records, self._setup)
        first = self._first_index or 0
        return replace(whole, first_index=first, end_index=self._end_index)

    def begin_teaching(self) -> Message | None:
        """Return that records cannot be taught."""
        return messages.TEACH_NOT_SWEEPS

    def cancel_teaching(self) -> None:
        """Do nothing."""

    def teach(self, side: Side) -> Message | None:
        """Return that records cannot be taught."""
        del side
        return messages.TEACH_NOT_SWEEPS

    def _recent(self) -> Reading:
        """Return the newest reading, averaged with as few before it as are needed."""
        newest, *earlier = list(self._records)[::-1]
        chosen, balance = [newest], newest.reading.balance
        for before in earlier:
            quiet = balance is not None and balance.u <= _QUIET_U
            if quiet or not before.reading.valid:
                break
            chosen.append(before)
        return average(chosen, self._setup) if len(chosen) > 1 else newest.reading


def average(records: Sequence[ReadRecord], setup: Setup) -> Reading:
    """Return the mean of the valid readings of records; without any, the newest one."""
    valid = [record for record in records if record.reading.valid]
    if not valid:
        return records[-1].reading
    fine = [record.reading for record in valid]
    last = fine[-1]
    if len(fine) == 1:
        return last
    outward = 1 if setup.first_lobe_outward else -1
    sense = None if last.sign is Sign.UNKNOWN else outward
    values, told = (
        [_in_order(reading, sense) for reading in readings] for readings in zip(*valid, strict=True)
    )
    first, second, balance = (
        _mean([value[k] for value in values], [each[k].u for each in told]) for k in range(3)
    )
    balance = Quantity(balance_of(first.value, second.value), balance.u)
    merged = replace(
        last,
        revolutions=sum(reading.revolutions for reading in fine),
        speed_rpm=_mean_by_clock([reading.speed_rpm for reading in fine], setup.clock_u_part),
        carrier_hz=_mean_by_clock([reading.carrier_hz for reading in fine], setup.clock_u_part),
        reasons=(),
        valid=True,
    )
    return with_balance(merged, Heights(first, second, balance), sense, setup)


def _in_order(reading: Reading, sense: int | None) -> tuple[Quantity, Quantity, Quantity]:
    """Return first, second and their balance in order of the turn."""
    assert reading.first_v is not None
    assert reading.second_v is not None
    assert reading.balance is not None
    value = reading.balance.value * (sense or 1)
    return reading.first_v, reading.second_v, Quantity(value, reading.balance.u)


def _mean(quantities: Sequence[Quantity], told_u: Sequence[float]) -> Quantity:
    """Return the mean of quantities, whose u beyond `told_u` is of what is the same in all."""
    values = np.array([quantity.value for quantity in quantities])
    u, told = np.array([quantity.u for quantity in quantities]), np.array(told_u)
    same = float(np.mean(np.sqrt(np.maximum(u**2 - told**2, 0.0))))
    parts = [float(np.linalg.norm(told)) / len(u), same, excess_u(values, told)]
    return Quantity(float(values.mean()), float(np.linalg.norm(parts)))


def _mean_by_clock(quantities: Sequence[Quantity | None], clock_u_part: float) -> Quantity | None:
    """Return the mean of frequencies; the sample clock's error is the same in all of them."""
    known = [quantity for quantity in quantities if quantity is not None]
    if not known:
        return None
    apart = [sqrt(max(0.0, each.u**2 - (clock_u_part * each.value) ** 2)) for each in known]
    return _mean(known, apart)
