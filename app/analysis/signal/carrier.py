"""Finding the carrier of the pattern in raw samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CARRIER_LOW_HZ = 20e3
"""Lowest carrier looked for."""
CARRIER_HIGH_OF_RATE = 0.45
"""Highest carrier looked for, as a part of the sample rate."""

_SEGMENT_S = 4e-3
"""Length of one spectrum: short beside a lobe, long beside a carrier's period."""
_LEAST_PEAK_DB = 13.5
"""A line must stand this far over the mean of its spectrum. Of 2000 lines of white noise the
highest stands 8.8 dB over the mean on average, and one in 10 000 such spectra reaches 13."""


@dataclass(frozen=True, slots=True)
class CarrierFound:
    """The strongest line of a stretch of signal."""

    frequency_hz: float
    peak_to_mean_db: float


def find_carrier(signal_v: NDArray[np.float32], sample_rate_hz: float) -> CarrierFound | None:
    """Return the strongest line from 20 kHz to half the rate, or None where nothing stands out.

    The signal is cut into segments of some milliseconds; the one with the strongest line decides,
    since most of a turn may hold no signal at all.

    Parameters
    ----------
    signal_v : numpy.ndarray
        float32, shape (frames,): the differential, in volts.
    sample_rate_hz : float
        Frames a second.
    """
    size = 1 << max(8, int(np.log2(_SEGMENT_S * sample_rate_hz)))
    count = signal_v.size // size
    if count == 0:
        return None
    segments = signal_v[: count * size].reshape(count, size)
    segments = segments[np.isfinite(segments).all(axis=1)].astype(np.float64)
    if not len(segments):
        return None
    segments -= segments.mean(axis=1, keepdims=True)
    window = np.hanning(size)
    spectra = np.abs(np.fft.rfft(segments * window, axis=1)) ** 2
    low = int(np.ceil(CARRIER_LOW_HZ * size / sample_rate_hz))
    low = max(low, 3)
    band = spectra[:, low:-1]
    if band.shape[1] < 8:
        return None
    which, line = np.unravel_index(int(np.argmax(band)), band.shape)
    row = band[which]
    mean = (row.sum() - row[max(line - 2, 0) : line + 3].sum()) / row.size
    peak = float(row[line])
    if peak <= 0.0:
        return None
    over_db = 10.0 * np.log10(peak / max(float(mean), peak * 1e-12))
    if over_db < _LEAST_PEAK_DB:
        return None
    centre = line + low + _line_offset(spectra[which], int(line) + low)
    return CarrierFound(float(centre * sample_rate_hz / size), float(over_db))


def _line_offset(spectrum: NDArray[np.float64], line: int) -> float:
    """Return a line's place between bins: a parabola through the logarithms of three bins."""
    left, middle, right = np.log(np.maximum(spectrum[line - 1 : line + 2], 1e-300))
    curvature = left - 2.0 * middle + right
    return float(0.5 * (left - right) / curvature) if curvature < 0.0 else 0.0
