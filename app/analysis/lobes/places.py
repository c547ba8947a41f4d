"""Whether live lobes stand where they are looked for: samples can be missing and nobody tells.

A pipe's writer, a sound server or a machine that slept can lose samples without a word, and all
that follows then stands earlier than it is looked for. A fit beside the top sees another fall from
the middle and a lean, which no head and no gain makes: a head that moves leaves the fall as it is,
a gain the fall's part of the height. So a gain that jumps shows too, in the first lobe behind it.
Flat groups fall nowhere, so they tell nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from app.analysis.lobes.heights import LobeFits, Window
from app.analysis.lobes.turns import Turn

_KEPT, _FEWEST = 5, 3
"""Fits of each lobe that are kept, and how many tell what is usual."""
_FALLS_BY, _LEANS_BY = 0.5, 0.1
_LEANS_AT_FIRST = 0.3
"""A lobe that has just been learned and leans by more does not stand where that says."""
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
_WORSE, _CHANGED_PART = 1.5, 0.03
"""A lobe has changed within whose fit tells so many times the u of all that are kept, and whose
shape is another by this part of its fall: it was cut, the head moved, or samples are missing."""

_AS_WIDE = 0.1
"""Windows differ by less of their width where they are chosen alike."""


class _Shape(NamedTuple):
    """Fall from the middle in volts, the same over the height, lean, and u of the height."""

    fall_v: float
    bend: float
    lean: float
    u_v: float

    @property
    def height_v(self) -> float:
        """Height from which it falls; it does not go by a bend of 0."""
        return self.fall_v / self.bend


class LobePlaces:
    """Compares each lobe's fall and lean with those of the same one in the turns before."""

    def __init__(self) -> None:
        self._shapes: dict[int, deque[tuple[Window, _Shape]]] = {}
        self._in_place_frames: dict[int, float] = {}
        self._away: deque[float] = deque(maxlen=_KEPT)
        self._jumps: deque[float] = deque(maxlen=_KEPT)
        self._run = 0
        self._out: dict[int, tuple[float, _Shape]] = {}
        """Middle and shape of the newest lobe of each kind, where it was out of its place."""
        self.moved_at: float | None = None
        """The middle of the newest lobe but one of a kind, where both are out of place alike."""
        self.gained = False
        """Whether the newest lobe is taller or lower than before by a gain, and by no head."""
        self.beside_v = 0.0
        """By how much the newest lobe is lower where it was measured than at its top."""

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

    def take(self, fits: LobeFits, number: int, window: Window, turn_frames: float) -> bool:
        """Take the newest lobe, and return whether it stands in its place, and whole.

        Parameters
        ----------
        fits : LobeFits
            Of the one lobe.
        number : int
            Which of the turn's lobes it is.
        window : Window
            How it was fitted: only what was fitted alike is compared.
        """
        centre, height_v = float(fits.centre_frame[0]), float(fits.height_v[0])
        # Each for itself: else one that is in its place would keep the other out for good.
        if centre - self._in_place_frames.get(number, -np.inf) > _AWAY_TURNS * turn_frames:
            self._shapes.pop(number, None)
        bend, lean, u_v = float(fits.bend[0]), float(fits.lean[0]), float(fits.u_v[0])
        shape = _Shape(bend * height_v, bend, lean, u_v)
        self.gained, self.beside_v = False, 0.0
        kept = self._shapes.setdefault(number, deque(maxlen=_KEPT))
        # What a wide window sees of a lobe's foot is no change against a narrow one.
        same = [
            each
            for fitted, each in kept
            if fitted.cosines == window.cosines
            and abs(fitted.span - window.span) <= _AS_WIDE * window.span
        ]
        has_changed = len(same) >= _FEWEST and _has_changed(same, shape)
        # Of no signal at all there may be no number either. What is there and does not fall is no
        # noise: the lobe was cut within.
        if not max(abs(shape.fall_v) * np.hypot(1.0, lean), height_v) >= _LEAST_SIGMAS * u_v:
            self._run = 0
            return not has_changed
        usual = [each for fitted, each in kept if fitted.cosines == window.cosines]
        before_at, before = self._out.pop(number, (centre, None))
        self.moved_at = None
        is_first = number not in self._in_place_frames and before is None
        if is_first and abs(bend) > _FLAT and abs(lean) > _LEANS_AT_FIRST:
            # It was learned from turns of which not all had it there: the next one tells.
            self._out[number], self._run = (centre, shape), 0
            return False
        fine = len(kept) < _FEWEST or not usual or any(_is_alike(each, shape) for each in usual)
        if fine and has_changed:
            # It stands in its place, so that it is no shift.
            self._run = 0
            return False
        if fine and usual:
            self.gained = _has_gained(usual[-1], shape)
            self.beside_v = _beside_v(usual, shape)
        if fine:
            self._jumps.extend([centre] * self.gained)
            kept.append((window, shape))
            self._in_place_frames[number], self._run = centre, 0
        else:
            self._away.append(centre)
            self._run += 1
            self._out[number] = centre, shape
            if before is not None and _is_alike(before, shape):
                self.moved_at = before_at
        return fine


def _is_alike(usual: _Shape, now: _Shape) -> bool:
    if abs(usual.bend) <= _FLAT:
        return True
    slack_v = _SIGMAS * now.u_v
    height_v = max(abs(now.fall_v / now.bend) if now.bend else 0.0, _TINY_V)
    falls = abs(now.fall_v - usual.fall_v) <= _FALLS_BY * abs(usual.fall_v) + slack_v
    bends = abs(now.bend - usual.bend) <= _FALLS_BY * abs(usual.bend) + slack_v / height_v
    leans_by = _LEANS_BY + slack_v / max(abs(now.fall_v), _TINY_V)
    return (falls or bends) and abs(now.lean - usual.lean) <= leans_by


def _has_gained(before: _Shape, now: _Shape) -> bool:
    # What changed within the lobe leans it, and may be a head.
    if min(abs(before.bend), abs(now.bend)) <= _FLAT:
        return False
    falls = now.fall_v / before.fall_v
    grows = (now.fall_v / now.bend) / (before.fall_v / before.bend)
    by = abs(grows - 1.0)
    if abs(now.lean - before.lean) > max(_GAINED_LEANS, _GAINED_LEANS_BY * by):
        return False
    slack = _SIGMAS * now.u_v / abs(now.fall_v)
    return by > _GAINED_BY + slack and abs(falls - grows) <= _GAINED_PART * by


def _has_changed(usual: Sequence[_Shape], now: _Shape) -> bool:
    """Return whether a lobe is of one shape in its one part, and of another in the rest."""
    if _are_flat(usual, now):
        return False
    # A gain makes u and height larger alike, and a head the height alone.
    worse_v = max(each.u_v * max(1.0, now.height_v / each.height_v) for each in usual)
    if now.u_v <= _WORSE * worse_v:
        return False
    by_v = min(
        float(np.hypot(now.fall_v * (now.lean - each.lean), now.fall_v - each.fall_v))
        for each in usual
    )
    return by_v > _SIGMAS * now.u_v + _CHANGED_PART * abs(usual[-1].fall_v)


def _beside_v(usual: Sequence[_Shape], now: _Shape) -> float:
    if _are_flat(usual, now):
        return 0.0
    leans_by = min(abs(now.lean - each.lean) for each in usual)
    return abs(now.fall_v) * float(np.hypot(1.0, leans_by) - 1.0)


def _are_flat(usual: Sequence[_Shape], now: _Shape) -> bool:
    return min(abs(each.bend) for each in (*usual, now)) <= _FLAT
