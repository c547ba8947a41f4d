"""What the acquisition keeps beside the samples: levels, and the time of each frame.

Neither class locks: :mod:`app.stream.acquisition` guards them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from instruments.source import Block

_LEVEL_SPAN_S = 0.5
# Eight-bit converters reach only 127/128 of full scale on the positive side.
_NEAR_FULL_SCALE = 0.99
# Rows folded into one before the maximum is taken: numpy is slow along short rows.
_FOLD = 64


@dataclass(frozen=True, slots=True)
class ChannelLevel:
    """How strong one channel was over the last half second of samples.

    Attributes
    ----------
    peak_v : float
        Largest magnitude, in volts; samples that are not a number are left out.
    clipped : bool
        It reached the full scale, or the device said that it clipped.
    """

    peak_v: float
    clipped: bool


def peaks(samples_v: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the largest magnitude of each column.

    Parameters
    ----------
    samples_v : numpy.ndarray
        float32, shape (frames, channels), C-contiguous, in volts.

    Returns
    -------
    numpy.ndarray
        float32, shape (channels,); 0 where there is no number.
    """
    frames, channels = samples_v.shape
    largest = np.zeros(channels, np.float32)
    whole = frames - frames % _FOLD
    folded = samples_v[:whole].reshape(-1, _FOLD * channels)
    for part, width in ((folded, _FOLD), (samples_v[whole:], 1)):
        if len(part):
            extremes = np.fmax(np.fmax.reduce(part), -np.fmin.reduce(part))
            largest = np.fmax(largest, np.fmax.reduce(extremes.reshape(width, channels)))
    return largest


class LevelMeter:
    """Peaks of the last half second.

    Parameters
    ----------
    channels : int
        Columns of a frame.
    full_scale_v : float or None
        Volts at which the input clips, when known.
    """

    def __init__(self, channels: int, full_scale_v: float | None) -> None:
        self._channels = channels
        self._full_scale_v = full_scale_v
        self._kept: deque[tuple[int, NDArray[np.float32], NDArray[np.bool_]]] = deque()

    def add(self, block: Block, peaks_v: NDArray[np.float32], end_index: int) -> None:
        """Take in one block's peaks; `end_index` is the absolute index of the frame after it."""
        self._kept.append((end_index, peaks_v, self._clipped(block.clipped, peaks_v)))
        oldest = end_index - _LEVEL_SPAN_S * block.sample_rate_hz
        while self._kept[0][0] <= oldest and len(self._kept) > 1:
            self._kept.popleft()

    def levels(self) -> tuple[ChannelLevel, ...]:
        """Return one level a channel; empty before the first block."""
        if not self._kept:
            return ()
        peak_v = np.max([peaks_v for _, peaks_v, _ in self._kept], axis=0)
        clipped = np.any([flags for _, _, flags in self._kept], axis=0)
        return tuple(
            ChannelLevel(float(peak_v[column]), bool(clipped[column]))
            for column in range(self._channels)
        )

    def _clipped(self, said: bool, peaks_v: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Tell which channels clipped; a device says only that one of them did."""
        everywhere = np.full(self._channels, said)
        if self._full_scale_v is None:
            return everywhere
        if not said:
            return peaks_v >= self._full_scale_v
        near = peaks_v >= _NEAR_FULL_SCALE * self._full_scale_v
        return near if near.any() else everywhere


class FrameTimes:
    """Maps an absolute frame index to monotonic time by the blocks' own times."""

    def __init__(self) -> None:
        self._kept: list[tuple[int, float, float]] = []

    def add(self, first_index: int, t0_s: float, sample_rate_hz: float) -> None:
        """Take in a block whose first frame, `first_index`, was taken at `t0_s`."""
        self._kept.append((first_index, t0_s, sample_rate_hz))

    def forget_before(self, index: int) -> None:
        """Drop what only serves frames before `index`."""
        spare = bisect_right(self._kept, index, key=_first_index) - 1
        # In bulk, because dropping from the front of a list moves all that follows.
        if spare > len(self._kept) // 2:
            del self._kept[:spare]

    def time_of(self, index: int) -> float:
        """Return the monotonic time of a frame, in seconds.

        Raises
        ------
        LookupError
            Before the first block.
        """
        if not self._kept:
            raise LookupError("no block has come yet")
        place = max(0, bisect_right(self._kept, index, key=_first_index) - 1)
        first_index, t0_s, sample_rate_hz = self._kept[place]
        return t0_s + (index - first_index) / sample_rate_hz


def _first_index(entry: tuple[int, float, float]) -> int:
    return entry[0]
