"""From an external detector's output to the envelope that went into it.

An AC-coupled input bends lobes that repeat some ten times a second. A first-order high-pass with
corner f makes y from x by y' + 2πf·y = x', so x = y + 2πf·∫y: exact up to a constant, which the
nulls give, since there the envelope is zero.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.series import Bins, EnvelopeSeries, SignalPath, sd_of_steps
from app.analysis.results import Message

_BIN_S = 0.5e-3
_BASE_S = 0.3
"""Any stretch of this length holds a null: it is longer than a turn at 250 rpm."""
_BELOW_ZERO = 0.03
"""An envelope this part of its top below zero has lost its constant part."""
_CONDUCTS_PART = 0.03
_NULL_SIGMAS = 5.0
_NULL_PART = 0.01
_NULL_SHARE = 0.10
_BASE_U_SIGMAS = 0.7
_POINT_U = 0.004
"""A null that is a point lies within one bin, whose mean is this part of the top above zero."""
_STUCK_S = 2e-3
_NULL_QUANTILE = 0.02
_CONDUCTS_SIGMAS = 4.0
"""Above so many standard deviations a bin counts as signal, past the detector's threshold."""


class EnvelopePath(SignalPath):
    """An external detector's output.

    Parameters
    ----------
    column : int
        The envelope's column.
    sample_rate_hz : float
        Frames a second.
    low_corner_hz : float or None
        Corner of the input's first-order high-pass; 0 for DC-coupled, None when not known.
    threshold_v : float
        What the detector keeps for itself: its output is the amplitude less this, or nothing.
    """

    def __init__(
        self,
        column: int,
        sample_rate_hz: float,
        low_corner_hz: float | None,
        threshold_v: float,
    ) -> None:
        self._column = column
        self._frames_a_bin = max(1, round(_BIN_S * sample_rate_hz))
        super().__init__(EnvelopeSeries(self._frames_a_bin))
        self._low_corner_hz = low_corner_hz
        corner_hz = low_corner_hz or 0.0
        self._rate_a_bin = 2.0 * np.pi * corner_hz * self._frames_a_bin / sample_rate_hz
        self._threshold_v = threshold_v
        self._base_bins = round(_BASE_S * sample_rate_hz / self._frames_a_bin)
        self._rate_hz = sample_rate_hz
        self._points = False
        self._top_v = -np.inf
        self._at_top = 0
        self._next_frame: int | None = None
        self._left = np.zeros(0)
        self._integral = 0.0
        self._past = np.zeros(0)
        self._waiting: list[tuple[int, NDArray[np.float64]]] = []
        self._sigma_v = 0.0
        self._lowest_v = 0.0
        self._highest_v = 0.0

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now: AC-coupled, its low corner not known."""
        floor = max(_BELOW_ZERO * self._highest_v, 6.0 * self._sigma_v)
        if self._lowest_v >= -floor or self._low_corner_hz:
            return None
        stated = self._low_corner_hz is not None
        return messages.NOT_DC_COUPLED if stated else messages.LOW_CORNER_UNKNOWN

    @property
    def height_u_v(self) -> float:
        """Standard uncertainty of where zero lies.

        An AC-coupled input finds it by the nulls. With a DC-coupled one the nulls' own level
        may be the detector's offset or the recording's.
        """
        if self._low_corner_hz:
            point_u = _POINT_U * self._highest_v if self._points else 0.0
            return float(np.hypot(_BASE_U_SIGMAS * self._sigma_v, point_u))
        if self.series is None or not self.series.ok.size:
            return 0.0
        return float(np.quantile(self.series.amplitude_v, _NULL_QUANTILE))

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether noisy output stuck at its highest level; when is not kept.

        Of samples with noise on them only a few are the very highest.
        """
        del start_frame, end_frame
        return self._sigma_v > 0.0 and self._at_top > _STUCK_S * self._rate_hz

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take the next samples."""
        values = samples_v[:, self._column].astype(np.float64)
        if self._next_frame is None or first_index != self._next_frame + len(self._left):
            self.flush()
            skip = -first_index % self._frames_a_bin
            values, first_index = values[skip:], first_index + skip
            if not len(values):
                return
            self._next_frame = first_index
        values = np.concatenate([self._left, values])
        count = len(values) // self._frames_a_bin
        used = count * self._frames_a_bin
        self._left = values[used:]
        if not count:
            return
        first = self._next_frame // self._frames_a_bin
        self._next_frame += used
        self._measure_noise(values[:used])
        self._watch_top(values[:used])
        means = values[:used].reshape(count, -1).mean(axis=1)
        self._lowest_v = float(np.min(means, initial=self._lowest_v, where=np.isfinite(means)))
        self._highest_v = float(np.max(means, initial=self._highest_v, where=np.isfinite(means)))
        if self._rate_a_bin:
            self._straighten_runs(first, means)
        else:
            self._add(first, means, np.zeros_like(means))

    def flush(self) -> None:
        """Finish what still waits for a first null, and begin anew."""
        self._break_off()
        self._next_frame = None
        self._left = self._left[:0]

    def _watch_top(self, values: NDArray[np.float64]) -> None:
        top_v = float(np.max(values, initial=-np.inf, where=np.isfinite(values)))
        if top_v > self._top_v:
            self._top_v, self._at_top = top_v, 0
        if top_v == self._top_v:
            self._at_top += int(np.count_nonzero(values == top_v))

    def _measure_noise(self, values: NDArray[np.float64]) -> None:
        steps = np.diff(values)
        steps = steps[np.isfinite(steps)]
        if steps.size < 16:
            return
        self._sigma_v = sd_of_steps(steps) / np.sqrt(self._frames_a_bin)

    def _straighten_runs(self, first: int, means: NDArray[np.float64]) -> None:
        """Straighten run by run: where samples are missing the integral has to begin anew."""
        fine = np.isfinite(means)
        cuts = [0, *(np.flatnonzero(np.diff(fine)) + 1).tolist(), len(means)]
        for start, end in pairwise(cuts):
            if fine[start]:
                self._straighten(first + start, means[start:end])
            else:
                self._break_off()

    def _straighten(self, first: int, means: NDArray[np.float64]) -> None:
        sums = self._integral + np.cumsum(means)
        self._integral = float(sums[-1])
        straight = means + self._rate_a_bin * (sums - 0.5 * means)
        self._waiting.append((first, straight))
        if len(self._past) + sum(len(part) for _, part in self._waiting) >= self._base_bins:
            self._release()

    def _break_off(self) -> None:
        self._release()
        self._past = self._past[:0]
        self._integral = 0.0

    def _release(self) -> None:
        if not self._waiting:
            return
        first = self._waiting[0][0]
        straight = np.concatenate([part for _, part in self._waiting])
        self._waiting.clear()
        known = np.concatenate([self._past, straight])
        base = self._base(known)[len(self._past) :]
        self._past = known[-self._base_bins :]
        self._add(first, straight, base)

    def _base(self, straight: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the level of the nulls around each bin.

        The least of a stretch lies below its nulls by noise. Where much of the turn is null the
        middle of those bins is their level; a null that is a point has but a few bins.
        """
        least = _sliding_least(straight, self._base_bins)
        above = straight - least
        slack = _NULL_SIGMAS * self._sigma_v + _NULL_PART * float(above.max())
        in_null = above < slack
        self._points = float(np.mean(in_null)) < _NULL_SHARE
        if self._points:
            return least + 0.5 * self._sigma_v
        return least + float(np.median(above[in_null]))

    def _add(self, first: int, means: NDArray[np.float64], base: NDArray[np.float64]) -> None:
        """Add bins of the amplitude that went into the detector."""
        ok = np.isfinite(means)
        value = np.where(ok, means - base, 0.0)
        if self._threshold_v > 0.0:
            floor_v = _CONDUCTS_PART * max(float(value.max(initial=0.0)), self._highest_v)
            conducts = value > max(_CONDUCTS_SIGMAS * self._sigma_v, floor_v)
            value = np.where(conducts, value + self._threshold_v, 0.0)
        sigma = np.full(len(value), self._sigma_v)
        power = value * np.abs(value) - sigma**2
        self._append(Bins(first, power, sigma, np.zeros(len(value)), ok))


def _sliding_least(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Return the least of the last `width` values at each place; the first `width` share one."""
    padded = np.concatenate([np.full(width - 1, np.inf), values])
    least = np.lib.stride_tricks.sliding_window_view(padded, width).min(axis=1)
    least[: width - 1] = least[min(width, len(values)) - 1]
    return least
