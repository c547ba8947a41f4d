"""Windows: bursts whose places in the turn, lengths and sides the disk's profile states.

Neighbouring windows of one side make up one lobe, so lobes of both sides take turns here as they do
in every recording. A window's height is the mean of what lies within it, clear of its edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import StatedWindow
from app.analysis.lobes.heights import LobeFits, fit_level
from app.analysis.lobes.turns import Turn

_GRID = 720
_GUARD, _MOST_GUARD = 0.25, 4.0 / 360.0
"""What is left out at either end of a window: a part of its length, and no more than this, in
turns. An edge, and what the windows may be off by, stay within it."""
_FINE_TURNS = 0.25 / 360.0
_ALIKE = 0.93
"""Where so much of the windows falls on those of the other side they cannot be told apart."""
_MOST_SWAPS = 72
_CLEAR_PART, _CLEAR_NOISE = 0.01, 40.0
"""A place of the windows is clearly better than another where it explains more of the turn by this
part, and by so many times what noise adds."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the windows stand in a turn.

    Attributes
    ----------
    turned : float
        By how much later than stated, in turns.
    part : float
        How much of the turn they explain there, at most 1.
    tells_side : bool
        No other place that explains nearly as much makes the other side the taller.
    """

    turned: float
    part: float
    tells_side: bool


@dataclass(frozen=True, slots=True)
class Windows:
    """The windows of a turn, and the lobes that they make up.

    Attributes
    ----------
    start, length : numpy.ndarray
        float64, shape (windows,): in turns from the index. Those that belong to the first lobe
        and stand at the end of the turn are counted as before the index.
    lobe : numpy.ndarray
        int64, shape (windows,): number of the lobe that each is of; even ones are of the side of
        the first window.
    """

    start: NDArray[np.float64]
    length: NDArray[np.float64]
    lobe: NDArray[np.int64]

    SLACK: ClassVar[float] = 4.0 / 360.0
    """The whole pattern may be turned by so much against the index: sensors are set no better."""

    @classmethod
    def of(cls, stated: Sequence[StatedWindow]) -> Windows:
        """Return the windows of a setup, which are of both sides."""
        start = np.array([window.start for window in stated])
        length = np.array([window.length for window in stated])
        changes = [one.outward != other.outward for one, other in pairwise(stated)]
        lobe = np.concatenate([[0], np.cumsum(changes)]).astype(np.int64)
        if lobe[-1] % 2 == 0:
            around = lobe == lobe[-1]
            start[around] -= 1.0
            lobe[around] = 0
        order = np.argsort(start, kind="stable")
        return cls(start[order], length[order], lobe[order])

    @property
    def lobes(self) -> int:
        """Number of lobes, an even one."""
        return int(self.lobe.max()) + 1

    @property
    def centres(self) -> NDArray[np.float64]:
        """Middle of each lobe's windows, float64, shape (lobes,), ascending."""
        middles = self.start + 0.5 * self.length
        weight = np.bincount(self.lobe, self.length)
        return np.bincount(self.lobe, self.length * middles) / weight

    @property
    def reach(self) -> NDArray[np.float64]:
        """From each lobe's middle to the end of its last window, float64, shape (lobes,)."""
        last = np.flatnonzero(np.diff(self.lobe, append=self.lobes))
        return (self.start + self.length - self.guard)[last] - self.centres

    def of_lobe(self, number: int) -> Windows:
        """Return the windows of one lobe alone."""
        chosen = self.lobe == number
        none = np.zeros(np.count_nonzero(chosen), dtype=np.int64)
        return Windows(self.start[chosen], self.length[chosen], none)

    @property
    def guard(self) -> NDArray[np.float64]:
        """What is left out at either end of each window, shape (windows,), in turns."""
        return np.minimum(_GUARD * self.length, _MOST_GUARD)

    def clear_of_edges(self, place: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return which of n places, in turns, are well within each window, (windows, n)."""
        since = (place - (self.start + self.guard)[:, None]) % 1.0
        return since < (self.length - 2.0 * self.guard)[:, None]

    def between(self, place: NDArray[np.float64], clear: float = 2.5 / 360.0) -> NDArray[np.bool_]:
        """Return which of n places are so far `clear` of every window, in turns; shape (n,)."""
        since = (place - (self.start - clear)[:, None]) % 1.0
        return ~np.any(since < (self.length + 2.0 * clear)[:, None], axis=0)

    def spread_within_lobes(self, tops: NDArray[np.float64], u: NDArray[np.float64]) -> float:
        """Return the u of the sides' difference by how windows of one lobe differ beyond noise.

        Both have shape (windows,): heights of the windows, and their u from noise.
        """
        count = np.bincount(self.lobe)
        means = np.bincount(self.lobe, tops) / count
        variance = np.bincount(self.lobe, (tops - means[self.lobe]) ** 2 - u**2)
        variance = np.maximum(variance, 0.0) / np.maximum(count - 1, 1) / count
        parts = [variance[kind::2].sum() / (self.lobes // 2) ** 2 for kind in (0, 1)]
        return float(np.sqrt(sum(parts)))

    @property
    def swaps_a_turn(self) -> int:
        """At how many places of the turn the sides are swapped, or not, and nothing else.

        There is 0 of them where no turning of the disk makes the windows those of the other side:
        then they show by themselves which side is which.
        """
        shown = self._shown()
        for number in range(_MOST_SWAPS, 1, -2):
            turned = np.roll(shown, round(_GRID / number))
            either = np.count_nonzero(shown) + np.count_nonzero((shown == 0) & (turned != 0))
            if np.count_nonzero((shown != 0) & (turned == -shown)) >= _ALIKE * either:
                return number
        return 0

    def _shown(self) -> NDArray[np.int64]:
        """Return 1 and −1 at places within windows of either side, else 0, shape (720,)."""
        shown = np.zeros(_GRID, dtype=np.int64)
        place = (np.arange(_GRID) + 0.5) / _GRID
        for start, length, lobe in zip(self.start, self.length, self.lobe, strict=True):
            shown[(place - start) % 1.0 < length] = 1 if lobe % 2 == 0 else -1
        return shown

    def levels(
        self, power_v2: NDArray[np.float64], turned: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return what three levels explain of a turn's power, and the levels, at each turning.

        Parameters
        ----------
        power_v2 : numpy.ndarray
            float64, shape (n,): one turn, from the index or from wherever it is taken to begin.
        turned : numpy.ndarray
            float64, shape (m,): by how much later the windows stand, in turns.

        Returns
        -------
        tuple of numpy.ndarray
            float64, shape (m,), the sum of squares of the fitted levels, as in an analysis of
            variance; shape (m, 3), the mean power in the windows of either side and in the gaps.
        """
        count = len(power_v2)
        total = np.concatenate([[0.0], np.cumsum(power_v2)])
        at = np.arange(count + 1) / count

        def sum_to(place: NDArray[np.float64]) -> NDArray[np.float64]:
            whole = np.floor(place)
            return whole * total[-1] + np.interp(place - whole, at, total)

        start = self.start + turned[:, None]
        within = sum_to(start + self.length) - sum_to(start)
        sums = [within[:, self.lobe % 2 == kind].sum(axis=1) for kind in (0, 1)]
        size = [self.length[self.lobe % 2 == kind].sum() * count for kind in (0, 1)]
        sums.append(total[-1] - sums[0] - sums[1])
        room = np.array([*size, max(count - sum(size), 1.0)])
        levels = np.stack(sums, axis=1) / room
        return (levels**2 * room).sum(axis=1), levels

    def find(self, power_v2: NDArray[np.float64], reach: float = SLACK) -> float:
        """Return by how much later than stated the windows stand in a turn, in turns.

        They are looked for as far away as `reach` to both sides.
        """
        steps = int(np.ceil(reach / _FINE_TURNS))
        turned = _FINE_TURNS * np.arange(-steps, steps + 1, dtype=np.float64)
        explained, _ = self.levels(power_v2, turned)
        at = int(np.argmax(explained))
        if not 0 < at < len(turned) - 1:
            return float(turned[at])
        before, top, after = explained[at - 1 : at + 2].tolist()
        bend = before - 2.0 * top + after
        return float(turned[at] + (0.5 * _FINE_TURNS * (before - after) / bend if bend else 0.0))

    def place(self, power_v2: NDArray[np.float64]) -> Place:
        """Return where in a turn the windows stand, wherever it is taken to begin."""
        turned = _FINE_TURNS * np.arange(round(1.0 / _FINE_TURNS), dtype=np.float64)
        explained, levels = self.levels(power_v2, turned)
        at = int(np.argmax(explained))
        total = float(np.sum(power_v2**2))
        best = float(explained[at])
        noise = (total - best) / len(power_v2)
        near = best - explained < max(_CLEAR_PART * best, _CLEAR_NOISE * noise)
        uneven = np.sign(levels[:, 0] - levels[:, 1])
        sure = not bool(np.any(uneven[near] == -uneven[at]))
        return Place(float(turned[at]), best / total if total > 0.0 else 0.0, sure)


def fit_windows(
    series: EnvelopeSeries, turns: Sequence[Turn], windows: Windows, turned: float
) -> LobeFits:
    """Return the lobes' heights: of each window the mean, and of a lobe that of its windows.

    Rows of the results run over turns, then lobes. `turned` is by how much later than stated the
    windows stand, in turns.
    """
    starts = np.array([turn.start_frame for turn in turns])[:, None]
    frames = np.array([turn.frames for turn in turns])[:, None]
    centre = (starts + frames * (windows.start + 0.5 * windows.length + turned)).ravel()
    reach = (frames * (0.5 * windows.length - windows.guard)).ravel()
    # A bin counts that lies wholly within; the bins at an edge are part of it.
    fits = fit_level(series, centre, np.maximum(reach - 0.5 * series.frames_a_bin, 0.0))
    share = windows.length / np.bincount(windows.lobe, windows.length)[windows.lobe]
    of_lobe = (windows.lobe[:, None] == np.arange(windows.lobes)) * share[:, None]
    shape = len(turns), len(windows.lobe)
    height = fits.height_v.reshape(shape) @ of_lobe
    u = np.sqrt(fits.u_v.reshape(shape) ** 2 @ of_lobe**2)
    ok = ~((~fits.ok.reshape(shape)) @ (of_lobe > 0.0))
    centres = starts + frames * (windows.centres + turned)
    none = np.zeros(height.size)
    ok = ok.ravel()
    return LobeFits(centres.ravel(), np.where(ok, height.ravel(), 0.0), u.ravel(), none, none, ok)
