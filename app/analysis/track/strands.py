"""Strands: stretches of signal made ready to be measured at once.

The slow part is taken out, the carrier and the whole turns are found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.carrier import find_carrier
from app.analysis.envelope.peakdetect import floor_of, half_ranges
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.lobes.turns import Turn, index_turns
from app.analysis.results import Message

Floats = NDArray[np.float64]

_PERIODS = 4.0
"""Of the carrier in the window of demodulation."""
_ENVELOPE_S = 32e-6
"""The same of an envelope."""
_SLOW_S = 1e-3
"""Hum is straight over so long, and a carrier averages out."""
_NEARLY_A_TURN = 0.9


@dataclass(frozen=True, slots=True)
class Strand:
    """One stretch.

    Attributes
    ----------
    values_v : numpy.ndarray
        float64, shape (n,): the differential without its slow part, or the envelope.
    rate_hz : float
        Values a second.
    carrier_hz : float or None
        Near the carrier's frequency; None of an envelope.
    turns : tuple of Turn
        By the index, in values; whole, and without missing samples.
    early : float
        By how many values a start seems to come early. A min/max pair covers the time from
        its place to the next, half a value later than a sample does, and shows all of a burst that
        fills a part of it, another half on average.
    floor_u_v : float
        Standard uncertainty of what noise adds to min/max pairs, the same all along.
    """

    values_v: Floats
    rate_hz: float
    carrier_hz: float | None
    turns: tuple[Turn, ...]
    early: float = 0.0
    floor_u_v: float = 0.0

    @property
    def omega(self) -> float:
        """Radians of the carrier from one value to the next, 0 of an envelope."""
        return 2.0 * float(np.pi) * (self.carrier_hz or 0.0) / self.rate_hz

    @property
    def window(self) -> int:
        """Values in the window of demodulation."""
        if self.carrier_hz is None:
            return max(1, round(_ENVELOPE_S * self.rate_hz))
        return max(4, round(_PERIODS * self.rate_hz / self.carrier_hz))

    @property
    def reach(self) -> int:
        """Values that a window reaches to the left of its middle."""
        return (self.window - 1) // 2

    def phasors(self, start: int, end: int, step: int = 1) -> NDArray[np.complex128]:
        """Return the complex amplitude at every `step` of the places `start` to `end`.

        As far as windows fit. The place of a window is its middle, which for an even one lies half
        a value later. The phase counts from a cosine that is at its top at place 0.
        """
        window, first = self.window, start - self.reach
        part = self.values_v[first : end - self.reach + window - 1].astype(np.complex128)
        if self.carrier_hz is not None:
            part *= 2.0 * _turning(self.omega, first, part.size)
        sums = np.concatenate([np.zeros(1, dtype=np.complex128), np.cumsum(part)])
        return (sums[window::step] - sums[:-window:step]) / window

    def inside(self, start: float, end: float) -> tuple[int, int]:
        """Return whole places between two, as far as windows fit in the stretch."""
        low = max(int(np.ceil(start)), self.reach)
        high = min(int(np.floor(end)), self.values_v.size - self.window + self.reach + 1)
        return low, max(low, high)


_AT_ONCE = 256


def _turning(omega: float, first: int, count: int) -> NDArray[np.complex128]:
    """Return exp(−jωn) for `count` whole numbers n from `first` on."""
    # As products of coarse and fine turns: an exponential takes ten times as long.
    coarse = np.exp(-1j * omega * np.arange(first, first + count, _AT_ONCE))
    fine = np.exp(-1j * omega * np.arange(_AT_ONCE))
    return np.multiply.outer(coarse, fine).ravel()[:count]


def strands_of(
    pieces: Sequence[SampleBlock], setup: Setup, no_carrier: Message
) -> list[Strand] | Message:
    """Return each piece without a gap made ready, or why none can be.

    `no_carrier` is what to say where there is no carrier.
    """
    if setup.columns.envelope is not None and setup.low_corner_hz:
        return messages.ENVELOPE_NOT_DC
    found: list[Strand] = []
    for piece in pieces:
        ready = ready_values(piece, setup)
        if ready.values_v.size < 2:
            continue
        if not ready.is_wave:
            of = (ready.values_v, ready.rate_hz, None, ready.turns)
            found.append(Strand(*of, float(ready.step - 1), ready.floor_u_v))
            continue
        carrier = find_carrier(ready.values_v.astype(np.float32), ready.rate_hz)
        if carrier is not None:
            of = (ready.values_v, ready.rate_hz, carrier.frequency_hz, ready.turns)
            found.append(Strand(*of))
    return found or no_carrier


@dataclass(frozen=True, slots=True)
class ReadyValues:
    """A piece's values, ready to be measured.

    Attributes
    ----------
    values_v : numpy.ndarray
        float64, shape (n,): the differential without its slow part, the envelope, or what
        min/max pairs reach from their middle; 0 where a sample is missing.
    rate_hz : float
        Values a second.
    turns : tuple of Turn
        By the index, in values; whole, and without missing samples.
    is_wave : bool
        Whether they are the differential.
    step : int
        Rows of the piece that make a value.
    floor_u_v : float
        Standard uncertainty of what noise adds to min/max pairs, the same all along.
    """

    values_v: Floats
    rate_hz: float
    turns: tuple[Turn, ...]
    is_wave: bool
    step: int = 1
    floor_u_v: float = 0.0


def ready_values(piece: SampleBlock, setup: Setup) -> ReadyValues:
    """Return a piece without a gap, ready to be measured."""
    values_v, step, floor_u_v = _values(piece, setup)
    rate_hz = setup.sample_rate_hz / step
    is_wave = step == 1 and setup.columns.envelope is None
    if values_v.size < 2:
        return ReadyValues(values_v[:0], rate_hz, (), is_wave, step)
    fine = np.isfinite(values_v)
    turns = _whole(_turns(piece, setup), step, fine)
    if not fine.all():
        values_v = np.where(fine, values_v, 0.0)
    if is_wave:
        length = max(3, round(0.5 * _SLOW_S * rate_hz))
        # Twice, so that what is left of the carrier in a mean is next to nothing.
        slow_v = _slow(_slow(values_v, length), length)
        values_v = np.subtract(values_v, slow_v, out=slow_v)
    return ReadyValues(values_v, rate_hz, turns, is_wave, step, floor_u_v)


def _values(piece: SampleBlock, setup: Setup) -> tuple[Floats, int, float]:
    """Return differential or envelope, how many rows make a value, and the floor's u."""
    columns = setup.columns
    if piece.min_max and columns.envelope is None:
        size = half_ranges(columns.pairs_of(piece.samples_v))
        fine = size[np.isfinite(size)]
        if not fine.size:
            return size, 2, 0.0
        floor = floor_of(fine)
        return floor.taken_from(size), 2, floor.u_v
    if columns.envelope is not None:
        level = piece.samples_v[:, columns.envelope].astype(np.float64)
        return np.where(level > 0.0, setup.undetected_v(level), level), 1, 0.0
    return columns.differential_of(piece.samples_v).astype(np.float64), 1, 0.0


def _turns(piece: SampleBlock, setup: Setup) -> list[Turn]:
    turns = index_turns([piece], setup)
    usual = 60.0 / setup.speed_rpm * setup.sample_rate_hz
    if not turns and piece.at_index and len(piece.samples_v) > _NEARLY_A_TURN * usual:
        # The record begins at the edge: what comes soon after it needs no second one.
        return [Turn(0.0, usual)]
    if piece.min_max and piece.at_index:
        # The trigger's edge is exact; those in the pairs may be a pair early, or not.
        return [turn for turn in turns if turn.start_frame == 0.0]
    return turns


def _whole(turns: Sequence[Turn], step: int, fine: NDArray[np.bool_]) -> tuple[Turn, ...]:
    """Return the turns in values, those with missing samples left out."""
    scaled = [Turn(turn.start_frame / step, turn.end_frame / step) for turn in turns]
    return tuple(
        turn for turn in scaled if fine[max(0, int(turn.start_frame)) : int(turn.end_frame)].all()
    )


def _slow(values_v: Floats, length: int) -> Floats:
    """Return the running mean over `length` values, over fewer at the ends."""
    half, size = length // 2, values_v.size
    # Beyond either end the sum is what it is there, and nothing is counted.
    sums = np.zeros(size + 2 * half + 1)
    np.cumsum(values_v, out=sums[half + 1 : half + 1 + size])
    sums[half + 1 + size :] = sums[half + size]
    counts = np.full(size, 2.0 * half + 1.0)
    missing = np.arange(half, 0, -1)[:size]
    counts[:half] -= missing
    counts[::-1][:half] -= missing
    sums[:size] = sums[2 * half + 1 :] - sums[:size]
    return np.divide(sums[:size], counts, out=counts)
