"""Turns by the windows that the disk's profile states, where there is no index."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.lobes.turns import FASTEST_TURN_S, SLOWEST_TURN_S, LobeTime, Turn
from app.analysis.lobes.windows import Place, Windows

_ACQUIRE_S = 0.8
"""Three turns at 235 rpm."""
_LEAST_TURNS = 1.2
"""To compare a turn with the next, this much has to be there."""
_PLACES = 720
_CANDIDATES = 6
_EXPLAINED = 0.4
"""Of a turn whose windows are where the profile says, they explain more: all but the noise."""
_MIN_THERE = 0.8
_ALPHA, _BETA = 0.5, 0.2
"""Gains of the flywheel for place and period, turn by turn."""
_OFF_TURNS = 3.5 / 360.0
_STRAYS = 3
_HOLD_S = 20.0
"""With the pattern gone the flywheel runs on for so long."""


class WindowTurns:
    """Finds turns by where the windows stand, and holds on to them like a flywheel.

    A turn begins where the index would be; of windows that look the same after a part of a turn,
    at one of those places.
    """

    a_turn = 1
    """A turn is followed as one."""

    def __init__(self, sample_rate_hz: float, windows: Windows, from_frame: float = 0.0) -> None:
        # What comes before is not of one course with what comes after.
        self._from_frame = from_frame
        self._rate_hz = sample_rate_hz
        self._windows = windows
        self._can_tell = windows.swaps_a_turn == 0
        self.locked = False
        self.locks = 0
        """How many times lock was found: another lock may begin the turn at another place."""
        self.times: list[LobeTime] = []
        """Where each turn was found to begin since lock."""
        self.tells_side = False
        """Whether the windows have shown which side is which."""
        self.turn_start = 0.0
        """Frame at which the turn under way began."""
        self._period = 0.0
        self._count = self._coasted = self._strays = 0
        self._tried_to = 0

    @property
    def turn_frames(self) -> float | None:
        """Length of a turn now, None when not locked."""
        return self._period if self.locked else None

    def push(self, series: EnvelopeSeries, *, at_end: bool = False) -> list[Turn]:
        """Follow the pattern to the end of the series and return the turns completed.

        With `at_end` a stretch shorter than usual may do to find the pattern in.
        """
        if not self.locked and not self._acquire(series, at_end=at_end):
            return []
        turns: list[Turn] = []
        while self.locked and self.turn_start + self._period <= series.end_frame:
            start = self.turn_start
            self._follow_one(series)
            if self.locked:
                turns.append(Turn(start, self.turn_start))
        return turns

    def forget_before(self, frame: float) -> None:
        """Drop the places of turns that are older."""
        self.times[:] = [time for time in self.times if time.frame >= frame]

    def _acquire(self, series: EnvelopeSeries, *, at_end: bool) -> bool:
        bins = round(_ACQUIRE_S * self._rate_hz / series.frames_a_bin)
        if at_end:
            least = round(_LEAST_TURNS * FASTEST_TURN_S * self._rate_hz / series.frames_a_bin)
            bins = min(bins, max(series.end - series.first, least))
        oldest = series.first_from(self._from_frame)
        if series.end < max(self._tried_to + bins // 8, oldest + bins):
            return False
        start = max(self._tried_to - bins, oldest) - series.first
        stretch = slice(start, start + bins)
        self._tried_to = min(series.first + stretch.stop, series.end)
        if np.mean(series.ok[stretch]) < _MIN_THERE:
            return False
        power_v2 = np.where(series.ok[stretch], series.power_v2[stretch], 0.0)
        found = self._find(power_v2, self._rate_hz / series.frames_a_bin)
        if found is None:
            return False
        place, turn_bins = found
        self._period = turn_bins * series.frames_a_bin
        first = (series.first + stretch.start) * series.frames_a_bin
        self.turn_start = first + (place.turned % 1.0) * self._period
        self.tells_side = self._can_tell and place.tells_side
        self._count = self._coasted = self._strays = 0
        self.times.clear()
        self.locked = True
        self.locks += 1
        return True

    def _find(self, power_v2: NDArray[np.float64], bins_a_s: float) -> tuple[Place, float] | None:
        """Return where the windows stand in the stretch, and the bins of a turn."""
        found: list[tuple[Place, float]] = []
        for turn_bins in _periods(power_v2, FASTEST_TURN_S * bins_a_s, SLOWEST_TURN_S * bins_a_s):
            turns = max(1, int(len(power_v2) / turn_bins))
            at = (np.arange(turns * _PLACES) + 0.5) / _PLACES * turn_bins - 0.5
            values = np.interp(at, np.arange(len(power_v2)), power_v2).reshape(turns, _PLACES)
            mean: NDArray[np.float64] = values.mean(axis=0)
            place = self._windows.place(mean)
            # What the turns do not have in common is not explained either.
            common = float(np.mean(mean**2)) / max(float(np.mean(values**2)), 1e-300)
            found.append((Place(place.turned, place.part * common, place.tells_side), turn_bins))
        best = max(found, key=lambda each: each[0].part, default=None)
        return best if best is not None and best[0].part >= _EXPLAINED else None

    def _follow_one(self, series: EnvelopeSeries) -> None:
        """Compare a turn's place with where it was expected, and go on to the next."""
        late, start, period = 0.0, self.turn_start, self._period
        power_v2 = self._turn_power(series)
        place = None if power_v2 is None else self._windows.find(power_v2)
        if power_v2 is None or place is None or not self._fits(power_v2, place):
            self._coasted += 1
        else:
            self._coasted = 0
            if abs(place) >= _OFF_TURNS:
                self._strays += 1
            else:
                late, self._strays = place * period, 0
                self.times.append(LobeTime(self._count, start + late))
            if self._can_tell and not self.tells_side:
                self._look_again(power_v2)
                start = self.turn_start
        self._period = period + _BETA * late
        self._count += 1
        self.turn_start = start + period + _ALPHA * late
        turn_s = self._period / self._rate_hz
        runs_away = not FASTEST_TURN_S <= turn_s <= SLOWEST_TURN_S
        if runs_away or self._strays >= _STRAYS or self._coasted * turn_s > _HOLD_S:
            self.locked = False
            self._tried_to = series.end

    def _turn_power(self, series: EnvelopeSeries) -> NDArray[np.float64] | None:
        """Return the power of the turn under way by place, shape (720,); None with gaps in it."""
        bins = series.bins_between(self.turn_start, self.turn_start + self._period)
        if bins.stop - bins.start < _MIN_THERE * self._period / series.frames_a_bin:
            return None
        if not series.ok[bins].all():
            return None
        place = (series.centres_in(bins) - self.turn_start) / self._period
        at = (np.arange(_PLACES) + 0.5) / _PLACES
        return np.interp(at, place, series.power_v2[bins])

    def _fits(self, power_v2: NDArray[np.float64], place: float) -> bool:
        explained, _ = self._windows.levels(power_v2, np.array([place]))
        return bool(explained[0] > _EXPLAINED * np.sum(power_v2**2))

    def _look_again(self, power_v2: NDArray[np.float64]) -> None:
        """Begin the turn elsewhere, where the heights have come to tell that it does."""
        place = self._windows.place(power_v2)
        self.tells_side = place.tells_side
        turned = (place.turned + 0.5) % 1.0 - 0.5
        if place.tells_side and abs(turned) > _OFF_TURNS:
            self.turn_start += turned * self._period
            self.times.clear()
            self.locks += 1


def _periods(power_v2: NDArray[np.float64], shortest: float, longest: float) -> list[float]:
    """Return the lags at which the stretch is most like itself, in bins, the likeliest first."""
    count = len(power_v2)
    longest = min(longest, count / _LEAST_TURNS)
    lags = np.arange(int(shortest), int(longest) + 2)
    if lags.size < 3 or lags[-1] >= count:
        lags = lags[lags < count]
    if lags.size < 3:
        return []
    spectrum = np.fft.rfft(power_v2 - power_v2.mean(), 2 * count)
    alike = np.fft.irfft(np.abs(spectrum) ** 2)[lags] / (count - lags)
    tops = 1 + np.flatnonzero((alike[1:-1] >= alike[:-2]) & (alike[1:-1] > alike[2:]))
    tops = tops[np.argsort(-alike[tops])][:_CANDIDATES]
    found: list[float] = []
    for top in tops.tolist():
        before, middle, after = alike[top - 1 : top + 2].tolist()
        bend = before - 2.0 * middle + after
        found.append(float(lags[top] + (0.5 * (before - after) / bend if bend else 0.0)))
    return found
