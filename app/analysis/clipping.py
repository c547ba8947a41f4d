"""Flat tops: samples piled up at a level, whatever the level."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_DEPTHS = (0.003, 0.01, 0.02)
"""Widths of the layers counted below the highest sample, as parts of the swing's half."""
_PILED = 4.0
"""Of a sine's samples 2.41 times as many lie in the topmost layer as in the next one of the same
width (2·acos(1 − δ) against that from δ to 2δ), and fewer where its amplitude changes or noise
rides on it."""
_LEAST_COUNT = 24
_EVERY = 4
_RUN = 4096
_FINE_LEVELS = 48


def has_flat_tops(column_v: NDArray[np.float32]) -> bool:
    """Tell whether a signal column is clipped, above or below.

    Parameters
    ----------
    column_v : numpy.ndarray
        float32, shape (frames,): samples of one signal channel, some milliseconds or more.
    """
    sample = _runs(column_v)
    sample = sample[np.isfinite(sample)]
    if sample.size < 256:
        return False
    low, high = float(sample.min()), float(sample.max())
    half = 0.5 * (high - low)
    if half <= 0.0:
        return False
    return _piled_up(high - sample, half) or _piled_up(sample - low, half)


def _runs(column_v: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return one run of samples in four: flat tops last, so none is lost between the runs."""
    if len(column_v) < 8 * _RUN:
        return np.ascontiguousarray(column_v)
    whole = len(column_v) // _RUN
    return column_v[: whole * _RUN].reshape(whole, _RUN)[::_EVERY].ravel()


def _piled_up(below: NDArray[np.float32], half: float) -> bool:
    """Compare the layers under the top; `below` is each sample's distance from it."""
    near = below[below < 0.1 * half]
    if near.size < _LEAST_COUNT:
        return False
    codes = np.unique(np.round(near / half, 6))
    step = float(np.diff(codes).min()) * half if 1 < codes.size < _FINE_LEVELS else 0.0
    return any(_layers_piled(near, depth * half, step) for depth in _DEPTHS)


def _layers_piled(near: NDArray[np.float32], depth: float, step: float) -> bool:
    if step:
        # Coarse codes: layers hold whole codes, the same number in each.
        depth = max(1, round(depth / step)) * step
        near = near + 0.5 * step
    top = int(np.count_nonzero(near < depth))
    after = int(np.count_nonzero((near >= depth) & (near < 2.0 * depth)))
    return top >= _LEAST_COUNT and top > _PILED * (after + 2.0 * np.sqrt(after) + 2.0)
