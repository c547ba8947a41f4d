"""From an external detector's output to the envelope that went into it.

What spoils it is undone as far as it shows, and what is left is told as effects on the heights: an
AC-coupled input (see :mod:`app.analysis.envelope.coupling`), an offset that pulls the nulls below
zero, and the detector's own law.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.converter import at_least_blurred, step_of, top_u_v
from app.analysis.envelope.coupling import Straightened, straighten
from app.analysis.envelope.series import (
    Bins,
    EnvelopeSeries,
    SignalPath,
    middle_of_nine,
    quantile_of,
    sd_of_steps,
)
from app.analysis.envelope.setup import BIN_S, Setup
from app.analysis.results import Message

_STRETCH_S = 0.55
"""Any stretch of this length holds four nulls: it is longer than two turns at 235 rpm."""
_WINDOW_S, _ANEW_S = 2.0, 0.25
"""How much of a live signal is undone anew, and how often: bins between go on from there."""
_BUCKET_S, _BUCKETS = 0.25, 3
"""Of a live envelope the lowest and highest of so many stretches count: more than two turns."""
_BELOW_ZERO = 0.03
"""An envelope this part of its top below zero has lost its constant part."""
_CONDUCTS_PART = 0.03
_STUCK_S = 2e-3
_STILL_S = 0.3
"""What does not change for longer than a turn is no signal, and has no noise of one."""
_TOP_S, _TOPS_S = 25e-3, 0.75
"""Highest levels are told of stretches shorter than a lobe; of a live envelope those of the last
turns count."""
_LOOKED_AT_S = 1.0
_HIGH_PART = 0.25
"""Of the highest level: what sticks lower is a null."""
_MOST_V = 1e12
"""What is beyond this, in volts or codes of 32 bits, is no sample: one in a turn hides the rest."""
_ABOUT_ZERO = 0.2
"""What has come through a capacitor is zero in the mean, but for the card's offset: to this part of
its swing. A rectifier or a threshold behind it lets nothing through below zero."""
_NULL_QUANTILE = 0.02
_NEGATIVE_SIGMAS, _LOWERED_SIGMAS = 3.0, 2.0
_OFFSET_U = 0.3
"""Uncertainty of an offset that shows in the nulls, as a part of it: they may be filled too."""
_AROUND, _SPIKE_PART, _SPIKED = 9, 0.5, 0.04
"""A bin above the middle one of so many by this part of the rms is a spike; of the gaps between
groups on their head one in twenty and more is, of what hits a signal hardly one in a hundred."""
_STEPS = 1, 2
"""All bins, and each second one: a gap is longer with few groups a turn."""
_CONDUCTS_SIGMAS = 4.0
"""Above so many standard deviations a bin counts as signal, past the detector's threshold."""
KNEE_U = 0.015
"""Standard uncertainty of what a detector keeps for itself beyond what is stated, as a part of the
top: the knee of its law (common practice)."""


class _Top(NamedTuple):
    """Highest level of a short stretch, and whether there is noise on it.

    How many of its samples it is, and how many the next level below: what is only seen in coarse
    steps is at its very highest no more often.
    """

    first_frame: int
    end_frame: int
    top_v: float
    at_top: int
    below: int
    is_noisy: bool


class EnvelopePath(SignalPath):
    """An external detector's output.

    Parameters
    ----------
    setup : Setup
        With an envelope column, and what is stated of its input and detector.
    live : bool
        What is long past no longer counts.
    """

    def __init__(self, setup: Setup, *, live: bool = False) -> None:
        assert setup.columns.envelope is not None
        self._column = setup.columns.envelope
        self._rate_hz = setup.sample_rate_hz
        self._frames_a_bin = max(1, round(min(BIN_S, setup.longest_bin_s) * self._rate_hz))
        super().__init__(EnvelopeSeries(self._frames_a_bin))
        self._low_corner_hz = setup.low_corner_hz
        corner_hz = setup.low_corner_hz or 0.0
        self._rate_a_bin = 2.0 * np.pi * corner_hz * self._frames_a_bin / self._rate_hz
        self._rate_u = self._rate_a_bin * setup.low_corner_part / np.sqrt(3.0)
        self._threshold_v = setup.detector_threshold_v or 0.0
        self._setup = setup
        self._stretch = self._bins_in(_STRETCH_S)
        self._tops: deque[_Top] = deque()
        self._next_frame: int | None = None
        self._left = np.zeros(0)
        self._run = np.zeros(0)
        self._run_sigma_v = np.zeros(0)
        """Noise of each bin of the run, as it was when the bin came."""
        self._run_first = 0
        self._done: Straightened | None = None
        self._fresh = True
        self._done_first = self._done_end = 0
        self._base_u_v = 0.0
        self._upside_down, self._is_level = False, True
        self._sigma_v = 0.0
        self._looked_at = 0
        self._bucket = self._bins_in(_BUCKET_S) if live else math.inf
        """Bins of a stretch whose extremes are kept as one: of a capture nothing is forgotten."""
        self._extremes = deque([(0, 0.0, 0.0)], _BUCKETS)
        """First bin of a stretch, how far it goes below zero, and how far above."""
        self._is_live = live
        self._held_bins = self._stretch + self._bins_in(_BUCKET_S * _BUCKETS)
        self._was_below = False

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now: AC-coupled, its low corner not known."""
        if self._upside_down:
            return messages.UPSIDE_DOWN
        if not self._is_level:
            return messages.NULLS_NOT_LEVEL
        if not self._is_below or self._low_corner_hz:
            return None
        stated = self._low_corner_hz is not None
        return messages.NOT_DC_COUPLED if stated else messages.LOW_CORNER_UNKNOWN

    @property
    def _is_below(self) -> bool:
        """Whether the envelope has gone below zero by more than an offset or noise."""
        below_v = max(below_v for _, below_v, _ in self._extremes)
        return below_v > max(_BELOW_ZERO * self._highest_v, 6.0 * self._sigma_v)

    @property
    def _holds_back(self) -> bool:
        """Whether what comes is no envelope just now, and none of it is added."""
        return self._is_live and self._was_below and not self._low_corner_hz

    @property
    def _highest_v(self) -> float:
        return max(high_v for _, _, high_v in self._extremes)

    def effects_v(
        self, centre_frames: NDArray[np.float64], heights_v: tuple[float, float]
    ) -> NDArray[np.float64]:
        """Return what zero and the corners do to both heights.

        With a DC-coupled input the nulls' own level may be the detector's offset or the
        recording's.
        """
        del heights_v
        lean = np.zeros((2, 2))
        if self._done is not None:
            places = (centre_frames / self._frames_a_bin).astype(np.int64) - self._done_first
            there = (places >= 0) & (places < self._done.lean_v.shape[1])
            for which in (0, 1):
                chosen = places[:, which][there[:, which]]
                if chosen.size:
                    lean[:, which] = self._done.lean_v[:, chosen].mean(axis=1)
        return np.vstack([[self._base_u_v, self._base_u_v], lean])

    def steps_u_v(self, fall_v: float) -> float:
        """Return the standard uncertainty of a top, from the steps it goes over as it falls."""
        if not self.step_v:
            return 0.0
        noise_v2 = self._sigma_v**2 * self._frames_a_bin
        return top_u_v(self.step_v, fall_v) * at_least_blurred(self.step_v, noise_v2)

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether noisy output stuck at its highest level, between two frames or repeatedly.

        Of samples with noise on them only a few are the very highest.
        """
        # A stretch that stands at a rail throughout has no noise of its own.
        if not any(each.is_noisy for each in self._tops):
            return False
        stuck = _STUCK_S * self._rate_hz
        top_v = max(each.top_v for each in self._tops)
        highest = [each for each in self._tops if each.top_v == top_v]
        below = sum(each.below for each in highest)
        if sum(each.at_top for each in highest) > max(stuck, below):
            return True
        return any(
            each.at_top > max(stuck, each.below) and each.top_v >= _HIGH_PART * top_v
            for each in self._tops
            if each.end_frame > start_frame and each.first_frame < end_frame
        )

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take the next samples."""
        values = samples_v[:, self._column].astype(np.float64)
        values[np.abs(values) > _MOST_V] = np.nan
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
        self._measure_noise(values[:used])
        self._watch_steps(values[:used])
        self._watch_tops(values[:used], self._next_frame)
        self._next_frame += used
        means = values[:used].reshape(count, -1).mean(axis=1)
        self._watch_extremes(first, means)
        was_below, self._was_below = self._was_below, self._is_below
        if was_below and not (self._was_below or self._low_corner_hz):
            # What was below zero was no envelope: no offset is told by it, and no lobe.
            self._drop_before(self._extremes[0][0])
        self._take_runs(first, means)

    def flush(self) -> None:
        """Undo over the whole run what was undone as it came, and begin anew."""
        self._break_off()
        self._next_frame = None
        self._left = self._left[:0]

    def forget_before(self, frame: float) -> None:
        """Drop what is older."""
        drop = min(int(frame // self._frames_a_bin) - self._run_first, len(self._run) // 2)
        if drop > 0:
            self._run, self._run_first = self._run[drop:], self._run_first + drop
            self._run_sigma_v = self._run_sigma_v[drop:]
        super().forget_before(frame)

    def _bins_in(self, time_s: float) -> int:
        return round(time_s * self._rate_hz / self._frames_a_bin)

    def _watch_extremes(self, first: int, means: NDArray[np.float64]) -> None:
        begun, below_v, high_v = self._extremes.pop()
        if not 0 <= first - begun < self._bucket:
            self._extremes.append((begun, below_v, high_v))
            begun, below_v, high_v = first, 0.0, 0.0
        there = np.isfinite(means)
        below_v = float(np.max(-means, initial=below_v, where=there))
        high_v = float(np.max(means, initial=high_v, where=there))
        self._extremes.append((begun, below_v, high_v))

    def _watch_tops(self, values: NDArray[np.float64], first_frame: int) -> None:
        size = max(1, round(_TOP_S * self._rate_hz))
        for start in range(0, len(values), size):
            piece = values[start : start + size]
            top_v = float(np.max(piece, initial=-np.inf, where=np.isfinite(piece)))
            next_v = np.max(piece, initial=-np.inf, where=piece < top_v)
            count, below = (int(np.count_nonzero(piece == each)) for each in (top_v, next_v))
            first, noisy = first_frame + start, self._sigma_v > 0.0
            self._tops.append(_Top(first, first + len(piece), top_v, count, below, noisy))
        if self._is_live:
            oldest = first_frame + len(values) - _TOPS_S * self._rate_hz
            while self._tops[0].end_frame < oldest:
                self._tops.popleft()

    def _measure_noise(self, values: NDArray[np.float64]) -> None:
        steps = np.diff(values)
        # At a rail there is none.
        held = (steps == 0.0) & (values[1:] == np.max(values, initial=0.0))
        held |= _stand_still(steps, _STILL_S * self._rate_hz)
        steps = steps[np.isfinite(steps) & ~held]
        if steps.size < 16:
            return
        self._sigma_v = sd_of_steps(steps) / np.sqrt(self._frames_a_bin)

    def _watch_steps(self, values: NDArray[np.float64]) -> None:
        if self._looked_at < _LOOKED_AT_S * self._rate_hz:
            self._looked_at += len(values)
            found = [each for each in (self.step_v, step_of(values)) if each]
            self.step_v = min(found, default=0.0)

    def _take_runs(self, first: int, means: NDArray[np.float64]) -> None:
        """Take bins run by run: where samples are missing all begins anew."""
        fine = np.isfinite(means)
        cuts = [0, *(np.flatnonzero(np.diff(fine)) + 1).tolist(), len(means)]
        for start, end in pairwise(cuts):
            if not fine[start]:
                self._break_off()
                continue
            if not len(self._run):
                self._run_first = first + start
            self._run = np.concatenate([self._run, means[start:end]])
            sigma_v = np.full(end - start, self._sigma_v)
            self._run_sigma_v = np.concatenate([self._run_sigma_v, sigma_v])
            if self._holds_back:
                # What begins here may be an envelope again.
                self._drop_before(first + end - self._held_bins)
            elif len(self._run) >= self._stretch:
                # All that is new at least: a file's block may be longer than the window.
                window = max(self._bins_in(_WINDOW_S), end - start)
                since_done = self._run_first + len(self._run) - self._done_end
                anew = self._fresh or since_done > self._bins_in(_ANEW_S)
                self._undo(max(0, len(self._run) - window), new=end - start, anew=anew)

    def _drop_before(self, number: int) -> None:
        """Begin anew with the bin of a number, and add none of those before it."""
        drop = max(0, number - self._run_first)
        self._run, self._run_sigma_v = self._run[drop:], self._run_sigma_v[drop:]
        self._run_first += drop
        self._fresh = True

    def _break_off(self) -> None:
        if len(self._run) and not self._holds_back:
            self._undo(0, new=len(self._run), anew=True)
        self._run, self._run_sigma_v = self._run[:0], self._run_sigma_v[:0]
        self._fresh = True

    def _undo(self, start: int, new: int, *, anew: bool) -> None:
        """Undo coupling or offset from a place in the run on, and add the bins that are new.

        Where it is not done `anew` the newest bins go on from what was done not long ago.
        """
        seen, first = self._run[start:], self._run_first + start
        if not self._rate_a_bin:
            value = seen - self._offset_in(seen)
        elif self._done is not None and not anew:
            known = self._done_end - first
            value = self._done.going_on(seen[:known], seen[known:])
            value = np.concatenate([seen[:known], value])
        else:
            value = self._straightened(seen, first)
        assert self.series is not None
        there = self.series.ok.size > 0
        since = len(seen) - new
        if anew:
            since = max(0, min(since, self.series.end - first if there else 0))
        if there:
            # What the series has forgotten is not added again.
            since = max(since, self.series.first - first)
        self._add(first + since, value[since:], self._run_sigma_v[start:][since:])

    def _straightened(self, seen: NDArray[np.float64], first: int) -> NDArray[np.float64]:
        stated = self._rate_a_bin, self._rate_u, self._sigma_v, self._stretch
        done = straighten(seen, *stated)
        self._upside_down = done.is_on_head or self._is_spiked(done.value_v)
        low_v, high_v = np.quantile(seen, (0.01, 0.99)).tolist()
        through = abs(float(seen.mean())) <= _ABOUT_ZERO * (high_v - low_v)
        self._is_level = done.is_level and through
        self._done, self._done_end, self._done_first = done, first + len(seen), first
        self._fresh = False
        self._base_u_v = done.base_u_v
        return done.value_v

    def _is_spiked(self, value: NDArray[np.float64]) -> bool:
        """Return whether short spikes come too often to be strays, as of gaps on their head."""
        if self._setup.windows:
            return False
        return any(_spiked_part(value[::step]) > _SPIKED for step in _STEPS)

    def _offset_in(self, seen: NDArray[np.float64]) -> float:
        """Return the offset that nulls below zero show: no detector's output is negative."""
        lowest, level = quantile_of(seen, 0.5 * _NULL_QUANTILE), quantile_of(seen, _NULL_QUANTILE)
        if level > -_NEGATIVE_SIGMAS * self._sigma_v:
            # Of nulls that are points the lowest bins lie on straight flanks, which go on to where
            # they end, but for what noise has moved down.
            end = 2.0 * lowest - level + _LOWERED_SIGMAS * self._sigma_v
            self._base_u_v = max(min(level, end), 0.0)
            return 0.0
        self._base_u_v = _OFFSET_U * -level
        return level

    def _add(self, first: int, value: NDArray[np.float64], sigma_v: NDArray[np.float64]) -> None:
        """Add bins of the amplitude that went into the detector."""
        if self._threshold_v > 0.0 or self._setup.law is not None:
            floor_v = _CONDUCTS_PART * max(float(value.max(initial=0.0)), self._highest_v)
            conducts = value > np.maximum(_CONDUCTS_SIGMAS * sigma_v, floor_v)
            value = np.where(conducts, self._setup.undetected_v(value), 0.0)
        power = value * np.abs(value) - sigma_v**2
        ok = np.ones(len(value), dtype=np.bool_)
        self._append(Bins(first, power, sigma_v, np.zeros(len(value)), ok))


def _stand_still(steps: NDArray[np.float64], least: float) -> NDArray[np.bool_]:
    """Return which steps are of a stretch that does not change over so many of them."""
    moves = np.flatnonzero(steps != 0.0)
    edges = np.concatenate([[-1], moves, [len(steps)]])
    lengths = np.diff(edges) - 1
    still = np.repeat(lengths > least, np.diff(edges))[: len(steps)]
    return still & (steps == 0.0)


def _spiked_part(value: NDArray[np.float64]) -> float:
    """Return the part of all bins that stand out of those beside them."""
    if len(value) < _AROUND:
        return 0.0
    around = middle_of_nine(np.pad(value, _AROUND // 2, mode="edge"))
    spikes = value > around + _SPIKE_PART * float(np.sqrt(np.mean(value**2)))
    return float(np.mean(spikes))
