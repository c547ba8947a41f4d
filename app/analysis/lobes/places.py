"""Whether live lobes stand where they are looked for: samples can be missing and nobody tells.

A pipe's writer, a sound server or a machine that slept can lose samples without a word, and all
that follows then stands earlier than it is looked for. A fit beside the top sees another fall from
the middle and a lean, which no head and no gain makes: a head that moves leaves the fall as it is,
a gain the fall's part of the height. So a gain that jumps shows too, in the first lobe behind it.
Flat groups fall nowhere, so they tell nothing.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from app.analysis.lobes.heights import LobeFits
from app.analysis.lobes.turns import Turn

_KEPT, _FEWEST = 5, 3
"""Fits of each lobe that are kept, and how many tell what is usual."""
_FALLS_BY, _LEANS_BY = 0.5, 0.1
_SIGMAS = 10.0
"""A lobe is out of its place where it falls otherwise than all that are kept by this part of that,
or leans so much otherwise, and by what so many u of its height make."""
_LEAST_SIGMAS = 30.0
"""What is bent by fewer u of its height may be noise: no lobe is there."""
_TINY_V = 1e-12
_FLAT = 0.3
"""What falls by less than this part of its height does so by chance."""
_AWAY_TURNS = 2.2
"""After so many turns without a lobe in its place it is the recording that has changed, or the
signal was gone and the count of turns has run on."""
_GAINED_BY, _GAINED_PART, _GAINED_LEANS, _GAINED_LEANS_BY = 0.05, 0.25, 0.02, 0.15
"""A lobe that is taller or lower by the first part is so by a gain where its fall has changed by as
much, to within the second part of that, and it leans no otherwise than by the third. What leans it
by less than the last part of the change is no head either, for one that moves within a lobe leans
it by a quarter of that and more: bytes have come in between, which shift it and swap channels."""
_SHIFTED = 2
"""So many lobes out of place in a row are no hand that moved the head within one."""


_Shape = tuple[float, float, float]
"""Fall from the middle in volts, the same over the height, and lean."""


class LobePlaces:
    """Compares each lobe's fall and lean with those of the same one in the turns before."""

    def __init__(self) -> None:
        self._shapes: dict[int, deque[tuple[int, _Shape]]] = {}
        self._in_place_frames: dict[int, float] = {}
        self._away: deque[float] = deque(maxlen=_KEPT)
        self._jumps: deque[float] = deque(maxlen=_KEPT)
        self._run = 0
        self.gained = False
        """Whether the newest lobe is taller or lower than before by a gain, and by no head."""

    @property
    def away(self) -> bool:
        """Whether the newest lobe was out of its place."""
        return self._run > 0

    @property
    def shifted_at(self) -> float | None:
        """The frame of the first of the newest lobes that all are out of place, if they are so."""
        return self._away[-self._run] if self._run == _SHIFTED else None

    def hold(self, turn: Turn) -> bool:
        """Return whether every lobe of a turn stood in its place, and no gain jumped before it."""
        spoilt = [*self._away, *self._jumps]
        return not any(turn.start_frame <= at < turn.end_frame for at in spoilt)

    def take(self, fits: LobeFits, number: int, cosines: int, turn_frames: float) -> bool:
        """Take the newest lobe, and return whether it stands in its place.

        Parameters
        ----------
        fits : LobeFits
            Of the one lobe.
        number : int
            Which of the turn's lobes it is.
        cosines : int
            So many were fitted: only what was fitted alike is compared.
        """
        centre, height_v = float(fits.centre_frame[0]), float(fits.height_v[0])
        # Each for itself: else one that is in its place would keep the other out for good.
        if centre - self._in_place_frames.get(number, -np.inf) > _AWAY_TURNS * turn_frames:
            self._shapes.pop(number, None)
        bend, lean = float(fits.bend[0]), float(fits.lean[0])
        shape, u_v = (bend * height_v, bend, lean), float(fits.u_v[0])
        self.gained = False
        kept = self._shapes.setdefault(number, deque(maxlen=_KEPT))
        # Of no signal at all there may be no number either. What is there and does not fall is no
        # noise: the lobe was cut within.
        if not max(abs(shape[0]) * np.hypot(1.0, lean), height_v) >= _LEAST_SIGMAS * u_v:
            self._run = 0
            return True
        usual = [each for fitted, each in kept if fitted == cosines]
        fine = (
            len(kept) < _FEWEST or not usual or any(_is_alike(each, shape, u_v) for each in usual)
        )
        if fine:
            self.gained = bool(usual) and _has_gained(usual[-1], shape, u_v)
            self._jumps.extend([centre] * self.gained)
            kept.append((cosines, shape))
            self._in_place_frames[number], self._run = centre, 0
        else:
            self._away.append(centre)
            self._run += 1
        return fine


def _is_alike(usual: _Shape, now: _Shape, u_v: float) -> bool:
    usual_v, usual_bend, usual_lean = usual
    fall_v, bend, lean = now
    if abs(usual_bend) <= _FLAT:
        return True
    slack_v = _SIGMAS * u_v
    height_v = max(abs(fall_v / bend) if bend else 0.0, _TINY_V)
    falls = abs(fall_v - usual_v) <= _FALLS_BY * abs(usual_v) + slack_v
    bends = abs(bend - usual_bend) <= _FALLS_BY * abs(usual_bend) + slack_v / height_v
    leans_by = _LEANS_BY + slack_v / max(abs(fall_v), _TINY_V)
    return (falls or bends) and abs(lean - usual_lean) <= leans_by


def _has_gained(before: _Shape, now: _Shape, u_v: float) -> bool:
    fall_v, bend, lean = now
    # What changed within the lobe leans it, and may be a head.
    if min(abs(before[1]), abs(bend)) <= _FLAT:
        return False
    falls, grows = fall_v / before[0], (fall_v / bend) / (before[0] / before[1])
    by = abs(grows - 1.0)
    if abs(lean - before[2]) > max(_GAINED_LEANS, _GAINED_LEANS_BY * by):
        return False
    slack = _SIGMAS * u_v / abs(fall_v)
    return by > _GAINED_BY + slack and abs(falls - grows) <= _GAINED_PART * by
