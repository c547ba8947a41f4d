"""How strong the signal of a track is, whatever is written on it: its power over whole turns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from app.analysis import messages
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.results import Message, Quantity
from app.analysis.track.strands import Floats, ready_values
from app.analysis.uncertainty import scatter_u

_LINEAR_PART = 1e-3
"""Of the amplitude: how far from linear a source that is linear may be."""


def level_of(pieces: Sequence[SampleBlock], setup: Setup) -> Quantity | Message:
    """Return the peak of a sine as strong as the track, in volts, or why it cannot be told.

    Each piece is without a gap. An envelope's level is its mean, and so is that of min/max pairs.
    Noise counts as signal: where there is nothing else, its level is returned.
    """
    if any(piece.clipped for piece in pieces):
        return messages.CLIPPED
    if setup.columns.envelope is not None and setup.low_corner_hz:
        return messages.ENVELOPE_NOT_DC
    levels: list[float] = []
    for piece in pieces:
        ready = ready_values(piece, setup)
        if not ready.values_v.size:
            continue
        usual = round(60.0 / setup.speed_rpm * ready.rate_hz)
        edges = [(round(each.start_frame), round(each.end_frame)) for each in ready.turns]
        # Without an index the turn is the nominal one.
        starts = range(0, ready.values_v.size - usual + 1, usual)
        edges = edges or [(start, start + usual) for start in starts]
        levels += [_level_v(ready.values_v[start:end], ready.is_wave) for start, end in edges]
    if len(levels) < 2:
        return messages.NO_WHOLE_TURN
    found = np.array(levels)
    value = float(found.mean())
    return Quantity(value, float(np.hypot(scatter_u(found), _LINEAR_PART * value)))


def _level_v(values_v: Floats, is_wave: bool) -> float:
    return float(np.sqrt(2.0 * np.mean(values_v**2))) if is_wave else float(values_v.mean())
