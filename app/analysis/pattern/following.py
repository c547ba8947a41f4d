"""Lobe by lobe as they come: where they stand is learned, each is measured when it is complete."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from app.analysis.pattern.character import Character, characterise
from app.analysis.pattern.layout import Layout, find_layout, refine_layout
from app.analysis.pattern.live import BalanceTracker, LiveBalance
from app.analysis.pattern.lobes import Window, fit_lobes
from app.analysis.pattern.meanturn import MeanTurn, mean_turn
from app.analysis.pattern.revolution import Turn
from app.analysis.reading import Quantity
from app.analysis.signal.series import EnvelopeSeries
from app.analysis.signal.setup import Setup

_LIVE_WINDOW = Window(0.57)
"""Widest window of a live fit: a wider one waits longer for the lobe's end than it gains."""
_QUIET_NULLS = 0.02**2
"""Uncertainty of the nulls' power, over the mean height's, with which a turn can be judged."""
_NULL_QUANTILE = 0.02
_UNKNOWN = Character(None, filled=False)


@dataclass(frozen=True, slots=True)
class Followed:
    """What one lobe brought.

    Attributes
    ----------
    live : LiveBalance
        Heights and balance.
    start_frame, end_frame : float
        From a turn before the lobe's end to the end of what was fitted.
    """

    live: LiveBalance
    start_frame: float
    end_frame: float


class LobeFollower:
    """Learns the pattern turn by turn, and measures lobe after lobe.

    Parameters
    ----------
    setup : Setup
        Disk.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._tracker = BalanceTracker(1)
        self._last_centre = -np.inf
        self._doubted = False
        self.layout: Layout | None = None
        """Where the lobes stand, None until there are any."""
        self.lone: float | None = None
        """Place of the one broad lobe, in turns, where the head is too far off for two."""
        self.character = _UNKNOWN
        """What recording the last turns are of."""

    def forget(self) -> None:
        """Begin anew: what was learned belongs to another stretch of signal."""
        self._tracker = BalanceTracker(1)
        self._last_centre = -np.inf
        self._doubted = False
        self.layout = self.lone = None
        self.character = _UNKNOWN

    def learn(self, series: EnvelopeSeries, turns: list[Turn]) -> None:
        """Learn layout and character anew from the last turns."""
        turn = mean_turn(series, turns)
        found = find_layout(turn, self._setup.pairs) if turn is not None else None
        self.lone = found.lone if found is not None else None
        if turn is None or found is None or found.lone is not None:
            self.layout = None
            return
        if self.layout is None or found.pairs != self.layout.pairs:
            self._tracker = BalanceTracker(found.pairs)
        self.layout = self._refined(found, turn, series, turns)
        character = recent_character(series, turns, self.layout, self._setup)
        if character.geometry is None and not self._doubted:
            # The turn in which a hand moved the head is none of the recordings: wait for another.
            self._doubted = True
        else:
            self._doubted = character.geometry is None
            self.character = character

    def follow(self, series: EnvelopeSeries, turns: Sequence[Turn]) -> Iterator[Followed]:
        """Measure every lobe of `turns` that has been completed since the last time."""
        layout = self.layout
        if layout is None:
            return
        centres, spacing = layout.frames_of(list(turns))
        reach = 0.5 * layout.window.span * spacing
        for place in np.ndindex(*centres.shape):
            centre, one = float(centres[place]), float(spacing[place])
            end = centre + float(reach[place])
            if centre <= self._last_centre + 0.5 * one or end > series.end_frame:
                continue
            self._last_centre = centre
            live = self._measure(series, layout, place[1] % 2, centre, one)
            if live is not None:
                yield Followed(live, end - len(layout.centres) * one, end)

    def _measure(
        self, series: EnvelopeSeries, layout: Layout, which: int, centre: float, spacing: float
    ) -> LiveBalance | None:
        fits = fit_lobes(series, np.array([centre]), np.array([spacing]), layout.window)
        if not fits.ok[0]:
            self._tracker.miss(which)
            return None
        return self._tracker.push(which, Quantity(float(fits.height_v[0]), float(fits.u_v[0])))

    @staticmethod
    def _refined(
        found: Layout, turn: MeanTurn, series: EnvelopeSeries, turns: list[Turn]
    ) -> Layout:
        layout = refine_layout(found, turn, series, turns)
        if layout.pairs == 1 and layout.window.span > _LIVE_WINDOW.span:
            return replace(layout, window=_LIVE_WINDOW)
        return layout


def recent_character(
    series: EnvelopeSeries, turns: Sequence[Turn], layout: Layout, setup: Setup
) -> Character:
    """Judge the pattern from as few of the newest turns as the noise allows.

    A hand that moves shifts a boundary's nulls from turn to turn: an average over many would fill
    them.
    """
    character = _UNKNOWN
    count = 1
    while True:
        newest = list(turns[-count:])
        turn = mean_turn(series, newest)
        fits = layout.fit(series, newest)
        if turn is None or not fits.ok.any():
            return character
        first, second = (float(height) for height in fits.height_v.reshape(-1, 2).mean(axis=0))
        character = characterise(turn, layout, (first, second), setup.geometry)
        at_nulls = float(np.quantile(turn.u_v2, _NULL_QUANTILE))
        quiet = at_nulls < _QUIET_NULLS * (0.5 * (first + second)) ** 2
        if quiet or count >= len(turns):
            return character
        count = min(2 * count, len(turns))
