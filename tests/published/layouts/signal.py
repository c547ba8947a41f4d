"""The signals in the layouts: made from formulas, seeded, and of our own.

Text files hold a few hundred frames of both phases of the read signal and the index, or some
turns of an envelope; sound and scopes' binaries have room for turns of the differential.
"""

from __future__ import annotations

import numpy as np

from tests.synthesis import Signal, make

SHORT_HZ = 50_000
SHORT_FRAMES = 200
ENVELOPE_HZ = 4_000
ENVELOPE = make(
    Signal(rate_hz=ENVELOPE_HZ, carrier_hz=400.0, turns=2.3, peak_v=0.4, ratio=0.85, seed=11)
)
CARRIER_HZ = 48_000
CARRIER = make(
    Signal(rate_hz=CARRIER_HZ, carrier_hz=20_500.0, turns=1.8, peak_v=0.4, ratio=0.8, seed=12)
)


def phases(frames: int = SHORT_FRAMES, top_v: float = 0.4) -> tuple[list[float], list[float]]:
    """Return plus and minus, in volts: a burst with a little noise, never twice the same."""
    rng = np.random.default_rng(5)
    frame = np.arange(frames)
    swell = top_v * (0.6 + 0.4 * np.sin(2.0 * np.pi * frame / 170.0))
    wave = swell * np.sin(2.0 * np.pi * frame / 7.3 + 0.4)
    sides = [sense * wave / 2.0 + rng.normal(0.0, 0.004 * top_v, frames) for sense in (1.0, -1.0)]
    return sides[0].tolist(), sides[1].tolist()


def index(frames: int = SHORT_FRAMES) -> list[float]:
    """Return an index in volts: low, with one pulse."""
    frame = np.arange(frames)
    return np.where((frame > 20) & (frame < 60), 4.8, 0.2).tolist()


def times(frames: int = SHORT_FRAMES, rate_hz: float = SHORT_HZ, start_s: float = 0.0):
    """Return the time of each frame, in seconds."""
    return (start_s + np.arange(frames) / rate_hz).tolist()
