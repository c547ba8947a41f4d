"""Test tones in bursts: what is played, and where it lies in what came back."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BIN_S = 1e-3
_RAMP_S = 1e-3
"""A burst rises and falls in so much: no click, and short against a burst."""
_GUARD_S = 5e-3
"""Left out at either end of a burst and of a pause: ramps, a detector's rise, clocks apart."""
_FAINT = 0.01
"""Where there is so much less than at the strongest place it is not looked for."""
_SURE = 0.5
"""Correlation of the edges of what came back with those of what was played."""


@dataclass(frozen=True, slots=True)
class ToneBurst:
    """One burst of a tone: its peak on each output as a part of full scale, and its frequency."""

    levels: tuple[float, ...]
    hz: float

    @property
    def level(self) -> float:
        """The larger peak."""
        return max(self.levels)


@dataclass(frozen=True, slots=True)
class Score:
    """Bursts of equal length with pauses of equal length between, before and after them.

    It is found again by the first so many, ``marks``; all where that is None.
    """

    bursts: tuple[ToneBurst, ...]
    on_s: float
    off_s: float
    marks: int | None = None

    @property
    def seconds(self) -> float:
        """Length of all."""
        return len(self.bursts) * (self.on_s + self.off_s) + self.off_s

    def start_s(self, number: int) -> float:
        """Return where a burst begins."""
        return self.off_s + number * (self.on_s + self.off_s)

    def samples(self, rate_hz: float, outputs: int) -> NDArray[np.float32]:
        """Return what is to be played, float32, shape (frames, outputs), within ±1.

        An output beyond a burst's levels is silent; of one level all outputs have it.
        """
        played = np.zeros((round(self.seconds * rate_hz), outputs), np.float32)
        count, ramp = round(self.on_s * rate_hz), max(2, round(_RAMP_S * rate_hz))
        shape = np.ones(count)
        shape[:ramp] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)
        shape[-ramp:] = shape[ramp - 1 :: -1]
        for number, burst in enumerate(self.bursts):
            first = round(self.start_s(number) * rate_hz)
            tone = shape * np.sin(2.0 * np.pi * burst.hz / rate_hz * np.arange(count))
            levels = burst.levels * outputs if len(burst.levels) == 1 else burst.levels
            for output, level in enumerate(levels[:outputs]):
                played[first : first + count, output] = level * tone
        return played

    def level_at(self, times_s: Floats) -> Floats:
        """Return the larger peak that is played at each of some times, 0 in the pauses."""
        place = (times_s - self.off_s) / (self.on_s + self.off_s)
        number = np.floor(place).astype(np.int64)
        within = (place - number) * (self.on_s + self.off_s) < self.on_s
        there = within & (number >= 0) & (number < len(self.bursts))
        levels = np.array([burst.level for burst in self.bursts])
        return np.where(there, levels[np.clip(number, 0, len(levels) - 1)], 0.0)

    def parts_of(self, times_s: Floats) -> NDArray[np.int64]:
        """Return what is surely played at each of some times.

        A burst's number from 0, −1 for a pause, −2 for an edge or beyond the ends.
        """
        period_s = self.on_s + self.off_s
        number = np.floor((times_s - self.off_s) / period_s).astype(np.int64)
        within_s = times_s - self.off_s - number * period_s
        last = len(self.bursts) - 1
        on = (within_s > _GUARD_S) & (within_s < self.on_s - _GUARD_S) & (number >= 0)
        off = (within_s > self.on_s + _GUARD_S) & (within_s < period_s - _GUARD_S)
        off &= (number >= -1) & (number <= last)
        return np.where(on & (number <= last), number, np.where(off, -1, -2))


def bin_means(values: Floats, rate_hz: float) -> tuple[Floats, float]:
    """Return means over bins of about a millisecond, and a bin's exact length in seconds."""
    frames = max(1, round(BIN_S * rate_hz))
    count = len(values) // frames
    return values[: count * frames].reshape(count, frames).mean(axis=1), frames / rate_hz


def tone_in_bins(values: Floats, rate_hz: float, hz: float) -> tuple[Floats, float]:
    """Return the amplitude of a tone in bins of about a millisecond, and a bin's exact length."""
    turned = values * np.exp(-2j * np.pi * hz / rate_hz * np.arange(len(values)))
    real, bin_s = bin_means(turned.real, rate_hz)
    imaginary, _ = bin_means(turned.imag, rate_hz)
    return 2.0 * np.hypot(real, imaginary), bin_s


def found_at(bins: Floats, bin_s: float, score: Score) -> float | None:
    """Return when a score begins in what came back, in seconds, None where it is not in it.

    The edges are compared: an AC-coupled input leaves them as they are.
    """
    score = replace(score, bursts=score.bursts[: score.marks])
    middles_s: Floats = (np.arange(round(score.seconds / bin_s), dtype=np.float64) + 0.5) * bin_s
    wanted = _edges(score.level_at(middles_s))
    there = _edges(bins)
    if len(there) < len(wanted):
        return None
    length = len(there) + len(wanted)
    spectrum = np.fft.rfft(there, length) * np.conj(np.fft.rfft(wanted, length))
    alike = np.fft.irfft(spectrum, length)[: len(there) - len(wanted) + 1]
    energy = np.concatenate([[0.0], np.cumsum(there**2)])
    beside = energy[len(wanted) :] - energy[: -len(wanted)]
    size = np.sqrt(np.maximum(beside, _FAINT * beside.max()) * float(np.sum(wanted**2)))
    if not size.max():
        return None
    alike = np.abs(alike) / size
    at = int(alike.argmax())
    if alike[at] < _SURE:
        return None
    return at * bin_s


def _edges(values: Floats) -> Floats:
    """Return the rise over three bins: an edge lies anywhere within one."""
    padded = np.concatenate([values[:1], values[:1], values])
    return padded[2:] - padded[:-2]
