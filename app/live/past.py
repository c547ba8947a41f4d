"""What has been seen of an open source: its turns of ten minutes, and the samples of the last ones.

Threads: the *analysis* thread alone adds; any thread looks, and nobody writes to what it is given.
"""

from __future__ import annotations

import threading
from bisect import bisect_left
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.results import Trace
from instruments.source import Block

KEPT_S = 600.0
"""How long a turn's envelope is kept."""
MOST_TURN_BYTES = 64_000_000
"""Of envelope: beyond that the oldest turns go earlier."""
SAMPLED_TURNS = 20
"""Turns of which the samples are kept."""
MOST_SAMPLE_BYTES = 128_000_000
"""Of samples: beyond that those of fewer turns are kept."""
_UNDER_WAY_TURNS = 1.5
"""A turn is complete only after its end; by then so much of the next may have come."""
_BROKEN_TURNS = 0.5
"""Between two turns so much lies only where one was lost."""


@dataclass(frozen=True, slots=True)
class PastTurn:
    """A turn that was followed, from when to when, and how high its envelope was."""

    trace: Trace
    from_s: float
    until_s: float
    top_v: float


@dataclass(frozen=True, slots=True)
class Look:
    """What there is of one moment.

    Attributes
    ----------
    back_s : float
        How long it was before the newest sample; 0 for now.
    turns : tuple of PastTurn
        The turn of that moment, last, and those before it; empty where none was followed.
    frames : tuple of float
        Where the turn begins and ends, or a stretch as long as one, in frames.
    blocks : tuple of Block
        Samples that are kept of it; a gap lies between two that do not go on.
    """

    back_s: float
    turns: tuple[PastTurn, ...]
    frames: tuple[float, float]
    blocks: tuple[Block, ...]


class Past:
    """The past of one open source, bounded in time and in memory.

    Parameters
    ----------
    turn_s : float
        How long a turn lasts, as long as none has been followed.
    """

    def __init__(self, turn_s: float) -> None:
        self._lock = threading.Lock()
        # All written under the lock, by the analysis thread:
        self._turn_s = turn_s
        self._turns: deque[PastTurn] = deque()
        self._turn_bytes = 0
        self._blocks: deque[Block] = deque()
        self._block_bytes = self._frames = 0

    @property
    def turn_s(self) -> float:
        """How long a turn lasts: the newest, or nominally."""
        return self._turn_s

    def take(self, block: Block) -> None:
        """Keep a block, and forget what has become too old."""
        with self._lock:
            self._blocks.append(block)
            self._block_bytes += block.samples_v.nbytes
            self._frames += len(block.samples_v)
            # One more, for that under way.
            wanted = (SAMPLED_TURNS + 1) * self._turn_s * block.sample_rate_hz
            while len(self._blocks) > 1 and (
                self._frames - len(self._blocks[0].samples_v) >= wanted
                or self._block_bytes > MOST_SAMPLE_BYTES
            ):
                old = self._blocks.popleft()
                self._block_bytes -= old.samples_v.nbytes
                self._frames -= len(old.samples_v)
            oldest_s = _end_s(block) - KEPT_S
            while self._turns and (
                self._turns[0].from_s < oldest_s or self._turn_bytes > MOST_TURN_BYTES
            ):
                self._turn_bytes -= _bytes_of(self._turns.popleft().trace)

    def add(self, trace: Trace, block: Block) -> None:
        """Keep a turn that is complete with a block, unless it is the newest one already."""
        if trace.frames is None or (self._turns and self._turns[-1].trace.number == trace.number):
            return
        from_s, until_s = (block.time_of(0) + at / block.sample_rate_hz for at in trace.frames)
        heights_v = trace.envelope_v
        top_v = float(heights_v.max(initial=0.0, where=np.isfinite(heights_v)))
        with self._lock:
            self._turns.append(PastTurn(trace, from_s, until_s, top_v))
            self._turn_bytes += _bytes_of(trace)
            self._turn_s = until_s - from_s

    def look(self, at_s: float | None = None, before: int = 0) -> Look | None:
        """Return what there is of a moment, and of so many turns before it.

        Parameters
        ----------
        at_s : float or None
            Monotonic time, held within what is kept; None for now.
        before : int
            How many turns before that of the moment are wanted.

        Returns
        -------
        Look or None
            None where nothing has come yet.
        """
        with self._lock:
            if not self._blocks:
                return None
            turns, blocks, turn_s = list(self._turns), list(self._blocks), self._turn_s
        newest, until_s = blocks[-1], _end_s(blocks[-1])
        if at_s is None:
            count = len(turns)
            if turns and until_s - turns[-1].until_s > _UNDER_WAY_TURNS * turn_s:
                count = 0
        else:
            at_s = max(at_s, _from_s(turns, blocks))
            count = _place(turns, at_s) + 1
            if count > len(turns) or turns[count - 1].from_s > at_s:
                count = 0
        if count:
            frames = turns[count - 1].trace.frames
            assert frames is not None
        else:
            middle_s = until_s - turn_s / 2 if at_s is None else at_s
            middle = newest.first_index + (middle_s - newest.t0_s) * newest.sample_rate_hz
            half = turn_s / 2 * newest.sample_rate_hz
            frames = middle - half, middle + half
        return Look(
            back_s=0.0 if at_s is None else max(0.0, until_s - at_s),
            turns=tuple(turns[max(0, count - 1 - before) : count]),
            frames=frames,
            blocks=_between(blocks, *frames),
        )

    def step(self, at_s: float | None, turns: float) -> float | None:
        """Return the moment so many turns later, earlier where negative; None is now."""
        with self._lock:
            if not self._blocks:
                return None
            kept, blocks, turn_s = list(self._turns), list(self._blocks), self._turn_s
        until_s = _end_s(blocks[-1])
        begun_s = until_s if at_s is None else at_s
        if at_s is None and kept and until_s - kept[-1].until_s <= _UNDER_WAY_TURNS * turn_s:
            begun_s = (kept[-1].from_s + kept[-1].until_s) / 2
        to_s = max(begun_s + turns * turn_s, _from_s(kept, blocks))
        place = _place(kept, to_s)
        if place < len(kept) and kept[place].from_s <= to_s:
            # In the middle of a turn, so that the next step ends in its neighbour.
            to_s = (kept[place].from_s + kept[place].until_s) / 2
        if turns > 0 and (place >= len(kept) - 1 and until_s - to_s <= _UNDER_WAY_TURNS * turn_s):
            return None
        return to_s

    def moment(self, back_s: float) -> float | None:
        """Return the moment so long before the newest sample; None is now."""
        with self._lock:
            if not self._blocks:
                return None
            until_s, turn_s = _end_s(self._blocks[-1]), self._turn_s
        return None if back_s < turn_s else until_s - back_s

    def heights(self, columns: int) -> NDArray[np.float64]:
        """Return how high the envelope was over all that may be kept, the newest last.

        Returns
        -------
        numpy.ndarray
            float64, shape (columns,), in volts: the highest top of a turn in each of equal parts of
            :data:`KEPT_S`; NaN where a turn was lost, or nothing is kept.
        """
        highest_v = np.full(columns, np.nan)
        with self._lock:
            turns, turn_s = list(self._turns), self._turn_s
            until_s = _end_s(self._blocks[-1]) if self._blocks else 0.0
        if not turns:
            return highest_v
        edges_s = np.array([(each.from_s, each.until_s) for each in turns])
        tops_v = np.array([each.top_v for each in turns])
        places = 1.0 + (edges_s - until_s) / KEPT_S
        first, last = np.clip((places * columns).astype(np.int64), 0, columns - 1).T
        for at in (first, last):
            np.fmax.at(highest_v, at, tops_v)
        for turn in np.flatnonzero(last - first > 1):
            highest_v[first[turn] + 1 : last[turn]] = tops_v[turn]
        lost = np.flatnonzero(edges_s[1:, 0] - edges_s[:-1, 1] > _BROKEN_TURNS * turn_s)
        for before, after in zip(last[lost], first[lost + 1], strict=True):
            begin = min(before + 1, after)
            highest_v[begin : max(begin + 1, after)] = np.nan
        return highest_v


def _place(turns: Sequence[PastTurn], at_s: float) -> int:
    """Return the first turn that ends at a moment or after it."""
    return bisect_left(turns, at_s, key=lambda each: each.until_s)


def _end_s(block: Block) -> float:
    return block.time_of(block.end_index)


def _from_s(turns: Sequence[PastTurn], blocks: Sequence[Block]) -> float:
    """Return when the oldest begins that is kept."""
    return min([blocks[0].t0_s, *(each.from_s for each in turns[:1])])


def _bytes_of(trace: Trace) -> int:
    return trace.turns.nbytes + trace.envelope_v.nbytes


def _between(blocks: Sequence[Block], first: float, end: float) -> tuple[Block, ...]:
    """Return the parts of blocks that lie between two frames."""
    low, high = int(np.ceil(first)), int(np.ceil(end))
    return tuple(
        each.part(max(low - each.first_index, 0), min(high, each.end_index) - each.first_index)
        for each in blocks
        if each.first_index < high and each.end_index > low
    )
