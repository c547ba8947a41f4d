"""The envelope averaged over turns, by place in the turn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.pattern.revolution import Turn
from app.analysis.signal.series import EnvelopeSeries

BINS = 720
"""Places in a turn: half a degree each."""
_LEAST_KNOWN = 48


@dataclass(frozen=True, slots=True)
class MeanTurn:
    """Envelope power averaged over turns by place.

    Attributes
    ----------
    power_v2, u_v2 : numpy.ndarray
        float64, shape (bins,): mean squared amplitude, and the standard deviation of that mean
        from noise.
    """

    power_v2: NDArray[np.float64]
    u_v2: NDArray[np.float64]

    @property
    def amplitude_v(self) -> NDArray[np.float64]:
        """Amplitude by place, shape (bins,)."""
        return np.sqrt(np.maximum(self.power_v2, 0.0))


def mean_turn(series: EnvelopeSeries, turns: list[Turn]) -> MeanTurn | None:
    """Average turns by place, or return None when no cell lies within them."""
    sums = np.zeros(BINS)
    variance = np.zeros(BINS)
    counts = np.zeros(BINS)
    for turn in turns:
        cells = series.cells_between(turn.start_frame, turn.end_frame)
        ok = series.ok[cells]
        place = (series.centres_in(cells) - turn.start_frame) / turn.frames
        where = np.clip((place * BINS).astype(np.int64), 0, BINS - 1)[ok]
        power, sigma = series.power_v2[cells][ok], series.sigma_v[cells][ok]
        sums += np.bincount(where, power, BINS)
        # Variance of a squared amplitude whose two quadratures each have the variance sigma².
        spread = 4.0 * np.maximum(power, 0.0) * sigma**2 + 4.0 * sigma**4
        variance += np.bincount(where, spread, BINS)
        counts += np.bincount(where, minlength=BINS)
    known = counts > 0
    if np.count_nonzero(known) < _LEAST_KNOWN:
        return None
    bins = np.arange(BINS)
    power = np.interp(bins, bins[known], sums[known] / counts[known], period=BINS)
    u = np.interp(bins, bins[known], np.sqrt(variance[known]) / counts[known], period=BINS)
    return MeanTurn(power, u)
