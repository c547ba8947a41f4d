"""Clipping noticed by its rail: many samples stand at the very same extreme, and hardly any beside.

Of a sine the highest step of a converter has at most 2.4 times the samples of the step below it
(acos(1 − 1/n) over acos(1 − 2/n) less that), and 5.3 times where a third harmonic of a ninth makes
its top as flat as one can; noise makes it fewer. At a rail there are as many more as the tops are
cut. So neither flat groups nor noise nor few turns hide it; what was cut ahead of an amplifier's
own noise does not show here, but by its kurtosis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import extreme_of_runs

_EVERY = 16
_ENOUGH_CHUNKS = 4000
"""Of a stream every sixteenth chunk is looked at, once so many were."""
_AT_ONCE, _FEW_FRAMES = 256, 16
"""So many chunks at once, for a processor's nearest memory, and frames too few for a vector."""
_OVER_BESIDE = 8.0
"""So many times the samples beside it stand at a rail."""
_BESIDE_STEPS, _BESIDE_PART = 1.5, 1e-4
"""How far down from the extreme is beside it: in steps, and in parts of the swing."""
_SAME_STEP = 1.01
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
    columns : tuple of int
        Columns that are watched.
    least_frames : float
        The shortest stretch that will be asked about.
    """

    def __init__(
        self,
        chunk: int,
        step_v: float,
        columns: tuple[int, ...] = (0,),
        least_frames: float = 0.0,
    ) -> None:
        self._chunk = chunk
        self._step_v = step_v
        self._columns = list(columns)
        self._least = least_frames
        self._taken = 0
        self._parts: list[_Chunks] = []

    def push(self, values_v: NDArray[np.float32], first_index: int) -> None:
        """Take samples, shape (frames, channels)."""
        count = len(values_v) // self._chunk
        if not count:
            return
        every = _EVERY if self._taken > _ENOUGH_CHUNKS else 1
        chunks = values_v[: count * self._chunk].reshape(count, self._chunk, -1)[::every]
        self._taken += len(chunks)
        starts = first_index + self._chunk * np.arange(0, count, every, dtype=np.float64)
        stretch = int(min(self._least / (self._chunk * every), len(chunks)))
        self._parts.append(_Chunks(starts, *self._counted(chunks, stretch)))

    def forget_before(self, frame: float) -> None:
        """Drop what is older, but for the newest part."""
        kept = [part.since(frame) for part in self._parts if part.start[-1] >= frame]
        self._parts = kept or self._parts[-1:]

    def is_reached(self, start_frame: float, end_frame: float) -> bool:
        """Return whether any column stood at a rail between two frames."""
        return self.loss_between(start_frame, end_frame) > 0.0

    def loss_between(self, start_frame: float, end_frame: float) -> float:
        """Return what rails took off the tallest tops between two frames, as a part of them.

        What is beyond a rail falls off as what is just below it does: by the mean of an exponential
        tail. Of a sine without noise that is too much: four times, or more where its phases hardly
        drift.
        """
        within = self._within(start_frame, end_frame)
        if within is None:
            return 0.0
        extreme = within.extreme_v
        there = extreme == np.maximum.reduce(extreme)
        # Few chunks are the highest of a stretch, and the others tell nothing of it.
        chosen = np.flatnonzero(np.logical_or.reduce(there, axis=1))
        there, counts, step_v = there[chosen], within.counts[chosen], within.step_v[chosen]
        at, beside, close = np.sum(counts[:, :3] * there[:, None, :], axis=0)
        # Sampled in step with its carrier a whole signal has one next value as often, within a
        # chunk or over all of them. In noise each chunk has another, and once.
        nearest = np.minimum.reduce(step_v, initial=np.inf, where=there)
        same = there & ((step_v <= _SAME_STEP * nearest) | (counts[:, 3] > 1))
        again = np.sum(counts[:, 3] * same, axis=0)
        many = at > _OVER_BESIDE * np.maximum(beside, again)
        no_spikes = at > _NO_SPIKES * self._chunk * len(extreme)
        many &= (close > _NEAR_PART * at) | no_spikes
        # Twice the mean excess is missing in the amplitude, which is half of the swing.
        beyond = 4.0 * _NEAR * at / np.maximum(close, 1)
        loss = np.where(many, at / (self._chunk * np.maximum(there.sum(axis=0), 1)) * beyond, 0.0)
        return float(loss.sum()) / len(self._columns)

    def _within(self, start_frame: float, end_frame: float) -> _Chunks | None:
        """Return the chunks that begin between two frames, None where there are none."""
        if len(self._parts) > 1:
            # Put together once: it is asked turn by turn.
            self._parts = [_Chunks.joined(self._parts)]
        for part in self._parts:
            within = part.since(start_frame, end_frame)
            if len(within.start):
                return within
        return None

    def _counted(
        self, chunks_v: NDArray[np.float32], stretch: int
    ) -> tuple[NDArray[np.float32], NDArray[np.intp], NDArray[np.float32]]:
        """Return the chunks' extremes, counts and steps, as :class:`_Chunks` has them.

        ``chunks_v`` has the shape (n, frames, channels); a stretch that is asked about has so many
        chunks, or more.
        """
        highest, lowest = np.empty((2, len(chunks_v), len(self._columns)), dtype=np.float32)
        for at in range(0, len(chunks_v), _AT_ONCE):
            some = chunks_v[at : at + _AT_ONCE]
            for extreme, reached in ((np.maximum, highest), (np.minimum, lowest)):
                reached[at : at + _AT_ONCE] = _reached(extreme, some)[self._columns].T
        extreme = np.concatenate([highest, -lowest], axis=1)
        # One value throughout is a dead phase's, and no top that was cut.
        fine = np.tile(highest > lowest, 2) & np.isfinite(extreme)
        extreme[~fine] = -np.inf
        counts = np.zeros((len(chunks_v), 4, extreme.shape[1]), dtype=np.intp)
        step_v = np.full_like(extreme, np.inf)
        chunk, which = np.nonzero(_stands_out(extreme, stretch) & fine)
        number = which % len(self._columns)
        turned = np.where(which < len(self._columns), np.float32(1.0), np.float32(-1.0))[:, None]
        shown = turned * chunks_v[chunk, :, np.array(self._columns)[number]]
        swing = (highest - lowest)[chunk, number]
        away = extreme[chunk, which][:, None] - shown
        counts[chunk, :, which], step_v[chunk, which] = self._near(away, swing[:, None])
        return extreme, counts, step_v

    def _near(
        self, away_v: NDArray[np.float32], swing_v: NDArray[np.float32]
    ) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
        """Return the counts of each chunk, and its step, of samples so far from their extreme."""
        slack = np.maximum(_BESIDE_STEPS * self._step_v, _BESIDE_PART * swing_v)
        there = away_v == 0.0
        step = np.min(np.where(there, np.float32(np.inf), away_v), axis=1)
        chosen = there, away_v <= slack, away_v <= _NEAR * swing_v, away_v == step[:, None]
        # A product counts several times as fast.
        one = np.ones(self._chunk, dtype=np.float32)
        at, beside, close, again = (each.astype(np.float32) @ one for each in chosen)
        return np.stack([at, beside - at, close - at, again], axis=1).astype(np.intp), step


def _reached(extreme: np.ufunc, chunks_v: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return np.maximum or np.minimum of each chunk's frames, shape (channels, chunks)."""
    chunks, frames, channels = chunks_v.shape
    values = chunks_v.reshape(chunks, -1)
    # Half against half, as long as a half is long: frames lie channel by channel.
    while frames > _FEW_FRAMES:
        frames = (frames + 1) // 2
        values = extreme(values[:, : frames * channels], values[:, -frames * channels :])
    by_frame = np.ascontiguousarray(values.T).reshape(frames, channels, chunks)
    return np.asarray(extreme.reduce(by_frame, axis=0))


def _stands_out(extreme: NDArray[np.float32], stretch: int) -> NDArray[np.bool_]:
    """Return which are the highest of any run of so many neighbours, or of fewer at either end."""
    if stretch < 2:
        return np.ones(extreme.shape, dtype=np.bool_)
    none = np.full((stretch - 1, extreme.shape[1]), -np.inf, dtype=np.float32)
    highest = extreme_of_runs(np.maximum, np.concatenate([none, extreme, none]), stretch)
    return extreme >= extreme_of_runs(np.minimum, highest, stretch)


@dataclass(frozen=True, slots=True)
class _Chunks:
    """Chunks of frames.

    Attributes
    ----------
    start : numpy.ndarray
        float64, shape (n,): first frames.
    extreme_v : numpy.ndarray
        float32, shape (n, 2 · columns): of each column the highest values, and the lowest ones
        turned over.
    counts : numpy.ndarray
        int, shape (n, 4, 2 · columns): samples there, right beside, near, and at the value next to
        it; none of chunks that are the highest of no stretch asked about.
    step_v : numpy.ndarray
        float32, shape (n, 2 · columns): how far that next value is; infinite of such chunks.
    """

    start: NDArray[np.float64]
    extreme_v: NDArray[np.float32]
    counts: NDArray[np.intp]
    step_v: NDArray[np.float32]

    @classmethod
    def joined(cls, parts: Sequence[_Chunks]) -> _Chunks:
        """Return the chunks of all of these, one after the other."""
        return cls(
            np.concatenate([part.start for part in parts]),
            np.concatenate([part.extreme_v for part in parts]),
            np.concatenate([part.counts for part in parts]),
            np.concatenate([part.step_v for part in parts]),
        )

    def since(self, start_frame: float, end_frame: float = np.inf) -> _Chunks:
        """Return the chunks that begin between two frames."""
        first, end = self.start.searchsorted((start_frame, end_frame))
        inside = slice(first, end)
        return _Chunks(
            self.start[inside], self.extreme_v[inside], self.counts[inside], self.step_v[inside]
        )
