"""Clipping noticed by its rail: many samples stand at the very same extreme, and hardly any beside.

Of a sine the highest step of a converter has at most 2.4 times the samples of the step below it
(acos(1 − 1/n) over acos(1 − 2/n) less that), and 5.3 times where a third harmonic of a ninth makes
its top as flat as one can; noise makes it fewer. At a rail there are as many more as the tops are
cut. So neither flat groups nor noise nor few turns hide it; what was cut ahead of an amplifier's
own noise does not show here, but by its kurtosis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_EVERY = 16
_ENOUGH_CHUNKS = 4000
"""Of a stream every sixteenth chunk is looked at, once so many were."""
_LEAST_AT, _OVER_BESIDE = 8, 8.0
"""So many samples at a rail, and so many times those beside it."""
_BESIDE_STEPS, _BESIDE_PART = 1.5, 1e-4
"""How far down from the extreme is beside it: in steps, and in parts of the swing."""
_NEAR, _NEAR_PART, _NO_SPIKES = 0.02, 0.01, 0.05
"""Where the signal itself does not come near, in parts of the swing and of the samples at the rail,
what stands there are spikes; so many of all samples are none."""


class RailWatch:
    """Watches columns for extremes at which many samples stand.

    Parameters
    ----------
    chunk : int
        Frames that are looked at together.
    step_v : float
        Step of the converter, 0 where none shows.
    """

    def __init__(self, chunk: int, step_v: float) -> None:
        self._chunk = chunk
        self._step_v = step_v
        self._taken = 0
        self._parts: list[_Chunks] = []

    def push(self, values_v: NDArray[np.float32], first_index: int) -> None:
        """Take values of the columns watched, shape (frames, columns)."""
        count = len(values_v) // self._chunk
        if not count:
            return
        every = _EVERY if self._taken > _ENOUGH_CHUNKS else 1
        chunks = values_v[: count * self._chunk].reshape(count, self._chunk, -1)[::every]
        self._taken += len(chunks)
        starts = first_index + self._chunk * np.arange(0, count, every, dtype=np.float64)
        self._parts.append(self._counted(starts, chunks))

    def forget_before(self, frame: float) -> None:
        """Drop what is older, but for the newest part."""
        kept = [part for part in self._parts if part.start[0] >= frame]
        self._parts = kept or self._parts[-1:]

    def is_reached(self, start_frame: float, end_frame: float) -> bool:
        """Return whether any column stood at a rail between two frames."""
        near = [part for part in self._parts if part.start[0] < end_frame]
        if not near:
            return False
        start = np.concatenate([part.start for part in near])
        inside = (start >= start_frame) & (start < end_frame)
        if not inside.any():
            return False
        extreme = np.concatenate([part.extreme_v for part in near])[inside]
        counts = np.concatenate([part.counts for part in near])[inside]
        there = extreme == extreme.max(axis=0)
        at, beside, close = np.sum(counts * there[:, None, :], axis=0)
        many = (at >= _LEAST_AT) & (at > _OVER_BESIDE * beside)
        no_spikes = at > _NO_SPIKES * self._chunk * len(extreme)
        return bool(np.any(many & ((close > _NEAR_PART * at) | no_spikes)))

    def _counted(self, starts: NDArray[np.float64], chunks: NDArray[np.float32]) -> _Chunks:
        highest, lowest = chunks.max(axis=1), chunks.min(axis=1)
        swing = (highest - lowest)[:, None, :]
        slack = np.maximum(_BESIDE_STEPS * self._step_v, _BESIDE_PART * swing)
        counts: list[NDArray[np.intp]] = []
        for away in (highest[:, None, :] - chunks, chunks - lowest[:, None, :]):
            there = away == 0.0
            at = np.count_nonzero(there, axis=1)
            # Sampled in step with its carrier a whole signal has the next value as often.
            step = np.min(away, axis=1, keepdims=True, initial=np.inf, where=~there)
            beside = np.count_nonzero(away <= np.maximum(slack, step), axis=1) - at
            close = np.count_nonzero(away <= _NEAR * swing, axis=1) - at
            counts.append(np.stack([at, beside, close], axis=1))
        extreme = np.concatenate([highest, -lowest], axis=1)
        fine = np.isfinite(extreme)
        extreme = np.where(fine, extreme, -np.inf)
        return _Chunks(starts, extreme, np.concatenate(counts, axis=2) * fine[:, None, :])


@dataclass(frozen=True, slots=True)
class _Chunks:
    """Chunks of frames.

    Attributes
    ----------
    start : numpy.ndarray
        float64, shape (n,): first frames.
    extreme_v : numpy.ndarray
        float32, shape (n, 2 · columns): highest values, and lowest ones turned over.
    counts : numpy.ndarray
        int, shape (n, 3, 2 · columns): samples there, right beside, and near.
    """

    start: NDArray[np.float64]
    extreme_v: NDArray[np.float32]
    counts: NDArray[np.intp]
