"""Where a path cuts tops off: the level at which what comes back no longer follows what is played.

An amplifier ahead of the converter may clip below the converter's own full scale, and then no
sample ever stands at the rail.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, pi, sqrt

import numpy as np

_LOST = 0.01
"""Of a tone's fundamental: a hard limit takes so much of a peak that is 4 % above it."""
_STOPS = 0.4
"""Of what a detector's output rose by before, in proportion: a threshold lets it rise by more, a
logarithm by half from a level to its double."""


@dataclass(frozen=True, slots=True)
class Rise:
    """What came back at one level: amplitude of the tone, or a detector's output; highest place."""

    level: float
    answer: float
    top: float


def limit_of_tones(heard: Sequence[Rise]) -> float | None:
    """Return the peak at which tones of rising levels are cut, None where none is.

    A hard limit at a part r of the peak that would be leaves (2/π)·(asin r + r·√(1 − r²)) of the
    fundamental.
    """
    for number, one in enumerate(heard[1:], 1):
        gain = float(np.median([each.answer / each.level for each in heard[:number]]))
        left = one.answer / (gain * one.level)
        if left < 1.0 - _LOST:
            return _part_cut(left) * gain * one.level
    return None


def limit_of_outputs(heard: Sequence[Rise]) -> float | None:
    """Return the place at which a detector's output stops, levels rising; None where it does not.

    The place is the input's own, its offset and a coupling's base counted in.
    """
    for before, last, one in zip(heard, heard[1:], heard[2:], strict=False):
        slope = (last.answer - before.answer) / (last.level - before.level)
        if one.answer - last.answer < _STOPS * slope * (one.level - last.level):
            return max(last.top, one.top)
    return None


def _part_cut(left: float) -> float:
    """Return which part of a peak is left where so much of its fundamental is."""
    parts = np.linspace(0.0, 1.0, 1001)
    fundamentals = [2.0 / pi * (asin(part) + part * sqrt(1.0 - part**2)) for part in parts]
    return float(np.interp(left, fundamentals, parts))
