"""The index pulse: its level, its polarity and its leading edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import extreme_of_runs, median_of, with_neighbours

_LEARN_S = 0.5
"""The levels are learned from this much signal at least: two turns at 300 rpm hold two pulses."""
_LEVEL_MEMORY_S = 1.0
_COARSE_S = 1e-3
_FINEST_S = 1e-6
"""Finer sampling of the edge than this brings nothing and costs time."""
_MIN_SWING_V = 1e-4
_MIN_SWING_SPREADS = 2.0
_BOUNCE_S, _SHORT_S = 0.7e-3, 60e-6
"""A pulse that opens again within the first is one whose edge bounces, and what is open for no
longer than the second in all is a glitch. (Common practice: contacts bounce for some tenths of a
millisecond, and a sensor's pulse lasts as long at least.)"""
_WIDE_PART, _WIDE_RUN = 0.5, 3
"""A millisecond that holds an edge spreads over this part of the swing, and so may the next; of so
many in a row none tells a level: what came there was noise."""
_TAIL_S = 4e-3
"""An edge is looked for so far back beyond the samples in hand: filters make them slow."""
_HYSTERESIS = 0.2
"""Half the distance between the two thresholds, as a part of the swing."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """One index pulse: its leading edge and its length, in frames that need not be whole."""

    edge_frame: float
    frames: float


class IndexDetector:
    """Finds pulses in a stream of index samples.

    The pulse is the state that lasts the shorter; its leading edge is where that state begins,
    whatever the polarity, the level or the offset.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._stride = max(1, int(_FINEST_S * sample_rate_hz))
        self._rate_hz = sample_rate_hz / self._stride
        self._coarse = max(1, round(_COARSE_S * self._rate_hz))
        self._learn = round(_LEARN_S * self._rate_hz)
        self._memory = round(_LEVEL_MEMORY_S * self._rate_hz / self._coarse)
        self._waiting: list[tuple[NDArray[np.float32], float]] = []
        self._next_frame: int | None = None
        self._lows = np.zeros(0, dtype=np.float32)
        self._highs = np.zeros(0, dtype=np.float32)
        self._state = 0
        self._open_edge: float | None = None
        self._opened_frame = self._open_frames = 0.0
        self._shut: Pulse | None = None
        self._bounce, self._short = _BOUNCE_S * sample_rate_hz, _SHORT_S * sample_rate_hz
        self._tail_v = np.zeros(0, dtype=np.float32)
        self._tail = max(1, round(_TAIL_S * self._rate_hz))
        self.active_high: bool | None = None
        """Polarity of the pulse, None until known."""

    def push(self, column_v: NDArray[np.float32], first_index: int) -> list[Pulse]:
        """Take the next samples and return the pulses that end in them."""
        pulses: list[Pulse] = []
        if self._next_frame is not None and first_index != self._next_frame:
            pulses = self.flush()
            self._state = 0
            self._open_edge = None
            self._tail_v = self._tail_v[:0]
        self._next_frame = first_index + len(column_v)
        skip = -first_index % self._stride
        values = np.ascontiguousarray(column_v[skip :: self._stride])
        if not len(values):
            return pulses
        self._waiting.append((values, float(first_index + skip)))
        learned = self._lows.size > 0
        if not learned and sum(len(part) for part, _ in self._waiting) < self._learn:
            return pulses
        return [*pulses, *self._work()]

    def flush(self) -> list[Pulse]:
        """Return the pulses still waiting: for the levels to be learned, or for a bounce."""
        pulses = self._work() if self._waiting else []
        return [*pulses, *self._past_bounce(np.inf)]

    def _work(self) -> list[Pulse]:
        values = np.concatenate([part for part, _ in self._waiting])
        first = self._waiting[0][1]
        self._waiting.clear()
        if not np.isfinite(np.ptp(values)):
            values = self._without_gaps(values)
        self._learn_levels(values)
        lows, highs = self._levels()
        low, high = float(lows.min()), float(highs.max())
        swing = high - low
        # Most milliseconds hold no edge: the middle of their spreads is what noise alone makes.
        spread = median_of(highs - lows)
        pulses: list[Pulse] = []
        if swing < max(_MIN_SWING_V, _MIN_SWING_SPREADS * spread):
            self.active_high, self._state = None, 0
        else:
            middle = 0.5 * (low + high)
            self.active_high = float(np.mean(0.5 * (lows + highs) > middle)) < 0.5
            pulses = self._pulses(values, first, middle, _HYSTERESIS * swing)
        self._tail_v = np.concatenate([self._tail_v, values])[-self._tail :]
        return pulses

    def _without_gaps(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the values, each that is no number in place of the last one before it."""
        known = np.concatenate([self._tail_v[-1:] if self._tail_v.size else [0.0], values])
        at = np.where(np.isfinite(known), np.arange(len(known)), 0)
        return known[np.maximum.accumulate(at)][1:]

    def _levels(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return lowest and highest of each millisecond that tells a level; of all if none does."""
        lows, highs = self._lows, self._highs
        wide = highs - lows > _WIDE_PART * (highs.max() - lows.min())
        if np.count_nonzero(wide) < _WIDE_RUN or len(wide) < _WIDE_RUN:
            return lows, highs
        # A run begins or ends within the millisecond beside it.
        around = np.concatenate([[False], wide, [False]])
        edge = np.zeros(_WIDE_RUN - 1)
        runs = extreme_of_runs(np.minimum, around.astype(np.float64), _WIDE_RUN)
        noisy = extreme_of_runs(np.maximum, np.concatenate([edge, runs, edge]), _WIDE_RUN)
        tells = ~with_neighbours(noisy > 0.0)[1:-1]
        return (lows[tells], highs[tells]) if tells.any() else (lows, highs)

    def _learn_levels(self, values: NDArray[np.float32]) -> None:
        usable = len(values) - len(values) % self._coarse
        bins = values[:usable].reshape(-1, self._coarse) if usable else values.reshape(1, -1)
        self._lows = np.append(self._lows, bins.min(axis=1))[-self._memory :]
        self._highs = np.append(self._highs, bins.max(axis=1))[-self._memory :]

    def _pulses(
        self, values: NDArray[np.float32], first: float, middle: float, hold: float
    ) -> list[Pulse]:
        """Return pulses between crossings of the middle, with hysteresis."""
        sense = np.float32(1.0 if self.active_high else -1.0)
        level = (values - np.float32(middle)) * sense
        end = first + float(len(values)) * self._stride
        if self._state < 0 and level.max() <= hold:
            # Between two pulses, as most of the time.
            return self._past_bounce(end)
        # Only where a threshold is passed does anything happen: a handful of places a turn.
        rises, falls = _beginnings(level > hold), _beginnings(level < -hold)
        where = np.concatenate([rises, falls])
        order = np.argsort(where)
        states = np.concatenate([np.ones(rises.size), -np.ones(falls.size)])[order]
        before = np.concatenate([[self._state], states])[:-1]
        tail = (self._tail_v - np.float32(middle)) * sense
        level = np.concatenate([tail, level])
        first -= len(tail) * self._stride
        pulses: list[Pulse] = []
        for at, state, was in zip(where[order], states, before, strict=True):
            # A record may begin on the edge that has triggered it: that one is counted already.
            if state > 0 and (was < 0 or (was == 0 and tail.size)):
                edge = self._place(level, int(at) + len(tail), first)
                if edge is None:
                    continue
                pulses += self._past_bounce(edge)
                if self._shut is None:
                    self._open_edge, self._open_frames = edge, 0.0
                else:
                    self._open_edge = self._shut.edge_frame
                self._opened_frame, self._shut = edge, None
            elif state < 0 < was and self._open_edge is not None:
                shut = first + float(at + len(tail)) * self._stride
                self._shut = Pulse(self._open_edge, shut - self._open_edge)
                self._open_frames += shut - self._opened_frame
                self._open_edge = None
        pulses += self._past_bounce(end)
        if states.size:
            self._state = int(states[-1])
        return pulses

    def _past_bounce(self, frame: float) -> list[Pulse]:
        """Return the pulse that was shut too long before `frame` to open again, if any."""
        shut = self._shut
        if shut is None or frame - shut.edge_frame - shut.frames <= self._bounce:
            return []
        self._shut = None
        return [shut] if self._open_frames > self._short else []

    def _place(self, level: NDArray[np.float32], at: int, first: float) -> float | None:
        """Return the frame at which the middle was last crossed up to sample `at`.

        None where it was not: it is the levels that have moved.
        """
        while at >= 0 and level[at] > 0.0:
            at -= 1
        if at < 0:
            return None
        span = level[at + 1] - level[at]
        part = float(-level[at] / span) if span > 0.0 else 0.0
        return first + (at + min(max(part, 0.0), 1.0)) * self._stride


def _beginnings(there: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return where runs of True begin."""
    begins = there.copy()
    begins[1:] &= ~there[:-1]
    return np.flatnonzero(begins)
