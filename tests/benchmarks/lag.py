"""How long a step of the head takes to stand in the reading and on the needle, by sample time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from app.analysis.envelope.setup import Columns, Setup
from app.analysis.lobes.analyser import Analyser
from app.dashboard.needle_page.meter import Ballistics
from app.live import session
from tests.app.analysis.running import block_of
from tests.benchmarks.tables import table
from tests.synthesis import Made, Signal, make

MEDIAN_ALLOWED_S = 0.120
WORST_ALLOWED_S = 0.180
IN_LOBE_ALLOWED_S = 0.040
ANYWHERE_ALLOWED_S = 0.110
NOISE_ALLOWED = 1.5
NEEDLE_ALLOWED_S = 0.060
BLOCK_S = session._STEP_S
"""As much as the live session gives the analysis at once."""
FRAME_S = 1.0 / 60.0
_SETTLED_S = 2.4
_TURN_S = 0.2
_BEFORE, _AFTER = 0.20, 0.06
_HALF = 0.5


@dataclass(frozen=True)
class Lag:
    """How long 90 % of a step takes, in seconds, of what has settled and of the needle.

    ``height`` is the envelope where the step came, as a part of the lobe's top.
    """

    settled_s: float
    needle_s: float
    height: float


def lag_of(place: float, geometry: str = "two-band", snr_db: float = 25.0) -> Lag:
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
    made = make(signal)
    wanted = _BEFORE + 0.9 * (_AFTER - _BEFORE)
    needle_s = 0.0
    before = round(at_s * signal.rate_hz) - 1
    lobe = int((made.turns[before] - signal.centre) * 2.0 + 0.5) % 2
    height = float(made.envelope_v[before]) / made.tops_v[lobe]
    for now_s, now, settled in _shown(made, signal.rate_hz):
        # Whole blocks: what rounding makes of their sum is no lag.
        since_s = round(now_s - at_s, 6)
        if since_s > 0.0 and not needle_s and now <= wanted:
            needle_s = since_s
        if since_s > 0.0 and settled <= wanted:
            return Lag(since_s, needle_s or since_s, height)
    raise ValueError(f"the step at {place} of the turn never stood in the reading")


def noise_of(geometry: str, seeds: Iterable[int], snr_db: float = 25.0) -> float:
    """Return the needle's noise over that of what has settled, where nothing moves."""
    squares = np.zeros(2)
    for seed in seeds:
        signal = Signal(geometry=geometry, turns=20.0, snr_db=snr_db, seed=seed)
        made = make(signal)
        for now_s, *values in _shown(made, signal.rate_hz):
            if now_s > 1.5:
                squares += (np.array(values) - made.balance) ** 2
    return float(np.sqrt(squares[0] / squares[1]))


def _shown(made: Made, rate_hz: float) -> Iterator[tuple[float, float, float]]:
    """Yield the time, the balance on the needle and the settled one, block by block."""
    samples = made.columns("plus", "minus", "index")
    analyser = Analyser(Setup(Columns(plus=0, minus=1, index=2), 3, rate_hz, 0.5 * rate_hz))
    frames = round(BLOCK_S * rate_hz)
    for start in range(0, len(samples), frames):
        analyser.push(block_of(samples[start : start + frames], start))
        settled = analyser.reading.balance
        if settled is not None:
            now = analyser.moving or settled
            yield (start + frames) / rate_hz, now.value, settled.value


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
        lags = [lag_of(place, geometry) for place in np.arange(places) / places]
        settled = [lag.settled_s for lag in lags]
        needle = [lag.needle_s for lag in lags]
        in_lobe = [lag.needle_s for lag in lags if lag.height > _HALF]
        for what, value_s, most_s in (
            ("settled, median", float(np.median(settled)), MEDIAN_ALLOWED_S),
            ("settled, worst", max(settled), WORST_ALLOWED_S),
            ("needle, worst above half of a lobe", max(in_lobe), IN_LOBE_ALLOWED_S),
            ("needle, worst", max(needle), ANYWHERE_ALLOWED_S),
        ):
            lag, most = f"{1e3 * value_s:.0f} ms", f"{1e3 * most_s:.0f} ms"
            rows.append([f"{geometry}, {what}", lag, most])
        noise = f"{noise_of(geometry, range(5)):.2f} ×"
        rows.append([f"{geometry}, needle's noise over settled", noise, f"{NOISE_ALLOWED:g} ×"])
    needle_ms, allowed = f"{1e3 * needle_lag_s():.0f} ms", f"{1e3 * NEEDLE_ALLOWED_S:.0f} ms"
    rows.append(["painted needle after the reading", needle_ms, allowed])
    heads = ["90 % of a step", "lag", "allowed"]
    title = f"Lag over {places} places in the turn, blocks of {1e3 * BLOCK_S:.0f} ms, 25 dB"
    say(table(title, heads, rows))
