"""How long a step of the head takes to stand in the reading, by sample time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from app.analysis.envelope.setup import Columns, Setup
from app.analysis.lobes.analyser import Analyser
from app.dashboard.needle_page.meter import Ballistics
from tests.app.analysis.running import block_of
from tests.benchmarks.tables import table
from tests.synthesis import Signal, make

MEDIAN_ALLOWED_S = 0.120
WORST_ALLOWED_S = 0.180
NEEDLE_ALLOWED_S = 0.060
BLOCK_S = 0.01
FRAME_S = 1.0 / 60.0
_SETTLED_S = 2.4
_TURN_S = 0.2
_BEFORE, _AFTER = 0.20, 0.06


def lag_s(place: float, geometry: str = "two-band", snr_db: float = 30.0) -> float:
    """Return how long 90 % of a step takes that happens at a place in the turn, 0 to 1."""
    at_s = _SETTLED_S + place * _TURN_S
    signal = Signal(
        geometry=geometry,
        ratio=(1.0 - _BEFORE) / (1.0 + _BEFORE),
        turns=17.0,
        snr_db=snr_db,
        balance_at=((at_s, _AFTER),),
        seed=int(1000 * place),
    )
    samples = make(signal).columns("plus", "minus", "index")
    setup = Setup(Columns(plus=0, minus=1, index=2), 3, signal.rate_hz, 0.5 * signal.rate_hz)
    analyser = Analyser(setup)
    frames = round(BLOCK_S * signal.rate_hz)
    wanted = _BEFORE + 0.9 * (_AFTER - _BEFORE)
    for start in range(0, len(samples), frames):
        analyser.push(block_of(samples[start : start + frames], start))
        balance = analyser.reading.balance
        now_s = (start + frames) / signal.rate_hz
        if now_s > at_s and balance is not None and balance.value <= wanted:
            return now_s - at_s
    raise ValueError(f"the step at {place} of the turn never stood in the reading")


def needle_lag_s() -> float:
    """Return how long the painted needle takes for 90 % of a step, at 60 frames a second."""
    needle = Ballistics()
    frames = 0
    while needle.step(1.0, FRAME_S) < 0.9:
        frames += 1
    # The reading may come just after a frame was painted.
    return (frames + 2) * FRAME_S


def report(say: Callable[[str], object], places: int = 40) -> None:
    """Print the table."""
    rows = []
    for geometry in ("two-band", "boundary"):
        lags = np.array([lag_s(place, geometry) for place in np.arange(places) / places])
        for what, value, most in (
            ("median", float(np.median(lags)), MEDIAN_ALLOWED_S),
            ("worst", float(lags.max()), WORST_ALLOWED_S),
        ):
            rows.append([f"{geometry}, {what}", f"{1e3 * value:.0f} ms", f"{1e3 * most:.0f} ms"])
    needle, allowed = f"{1e3 * needle_lag_s():.0f} ms", f"{1e3 * NEEDLE_ALLOWED_S:.0f} ms"
    rows.append(["painted needle after the reading", needle, allowed])
    heads = ["90 % of a step", "lag", "allowed"]
    say(table(f"Lag over {places} places in the turn, blocks of 10 ms", heads, rows))
