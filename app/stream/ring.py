"""Gaps on the axis of frame indices, in order and bounded in number.

A ring of the newest frames, addressed by absolute frame index.

Every sample is written twice, a capacity apart, so that any window of the history lies in one
piece: nothing is moved and nothing is copied to look at it.

Threads: one writer (the acquisition thread) calls ``write``, ``wait_for_room`` and ``close``; one
reader takes frames and calls ``release``. All state is guarded by one condition.
"""

from __future__ import annotations

import threading
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Gap:
    """A place where time is not continuous.

    Attributes
    ----------
    index : int
        Absolute index of the first frame after the gap.
    missing_frames : int
        Indices before it that hold no frame; 0 when nobody counted what was lost.
    """

    index: int
    missing_frames: int

    @property
    def start_index(self) -> int:
        """Index of the first missing frame."""
        return self.index - self.missing_frames


class Gaps:
    """The gaps within a history whose beginning moves on. Does not lock.

    Parameters
    ----------
    most : int
        Gaps remembered. Where the history holds more, it is cut short at the oldest one that is
        remembered, so that a gap is never overlooked.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: list[Gap] = []

    def all(self) -> tuple[Gap, ...]:
        """Return them, oldest first."""
        return tuple(self._kept)

    def note(self, start_index: int, index: int) -> None:
        """Remember that the frames from `start_index` up to, not including, `index` are missing."""
        if self._kept and self._kept[-1].index == start_index:
            start_index = self._kept.pop().start_index
        self._kept.append(Gap(index, index - start_index))

    def forget_before(self, oldest_index: int) -> int:
        """Forget what ends before `oldest_index`; return where the history now begins."""
        if len(self._kept) > self._most:
            oldest_index = max(oldest_index, self._kept[-self._most].index)
        del self._kept[: bisect_left(self._kept, oldest_index, key=_index_of)]
        if self._kept and self._kept[0].start_index <= oldest_index:
            return self._kept[0].index
        return oldest_index

    def after(self, index: int) -> Gap | None:
        """Return the first gap whose next frame lies beyond `index`."""
        place = bisect_right(self._kept, index, key=_index_of)
        return self._kept[place] if place < len(self._kept) else None

    def at(self, index: int) -> Gap | None:
        """Return the gap just before the frame `index`."""
        place = bisect_left(self._kept, index, key=_index_of)
        found = place < len(self._kept) and self._kept[place].index == index
        return self._kept[place] if found else None

    def fills(self, start_index: int, index: int) -> bool:
        """Tell whether one gap holds all from `start_index` up to, not including, `index`."""
        gap = self.at(index)
        return gap is not None and gap.start_index <= start_index


def _index_of(gap: Gap) -> int:
    return gap.index


class StreamError(Exception):
    """The root of what the stream reports to its reader."""


class Overrun(StreamError):  # noqa: N818 - reads as the state that it names
    """Frames asked for have been overwritten.

    Attributes
    ----------
    lost_frames : int
        How many of the frames asked for are gone.
    """

    def __init__(self, lost_frames: int) -> None:
        super().__init__(f"{lost_frames} frames were overwritten before they were read")
        self.lost_frames = lost_frames


class GapInWindow(StreamError):  # noqa: N818
    """The window asked for spans a gap.

    Attributes
    ----------
    gap : Gap
        The first gap within the window.
    """

    def __init__(self, gap: Gap) -> None:
        super().__init__(f"the frames before frame {gap.index} do not join on to it")
        self.gap = gap


@dataclass(frozen=True, slots=True)
class Chunk:
    """Consecutive frames copied out of the ring.

    Attributes
    ----------
    samples_v : numpy.ndarray
        float32, shape (frames, channels), C-contiguous, in volts; owned by the chunk. No gap
        lies between its frames.
    first_index : int
        Absolute index of the first frame.
    gap_before : bool
        The first frame does not follow in time on the frame before the index asked for.
    lost_frames : int
        Indices from the one asked for to the first one given, lost on either side of the ring.
    overrun : bool
        The reader did not keep up: frames that had been written were overwritten.
    """

    samples_v: NDArray[np.float32]
    first_index: int
    gap_before: bool
    lost_frames: int
    overrun: bool

    @property
    def end_index(self) -> int:
        """Absolute index of the frame after the last: what to ask for next."""
        return self.first_index + len(self.samples_v)


class _Twice:
    """Frames at their index modulo the capacity, and once more a capacity further on."""

    def __init__(self, capacity_frames: int, channels: int) -> None:
        self.capacity_frames = capacity_frames
        self.channels = channels
        self._samples_v = np.empty((2 * capacity_frames, channels), np.float32)

    def store(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        at = first_index % self.capacity_frames
        head = min(len(samples_v), self.capacity_frames - at)
        for start in (0, self.capacity_frames):
            self._samples_v[start + at : start + at + head] = samples_v[:head]
            self._samples_v[start : start + len(samples_v) - head] = samples_v[head:]

    def view(self, start_index: int, end_index: int) -> NDArray[np.float32]:
        at = start_index % self.capacity_frames
        return self._samples_v[at : at + end_index - start_index]


class Ring:
    """The newest frames, each under its absolute index, beginning at 0.

    Parameters
    ----------
    capacity_frames : int
        Indices kept; a gap takes the room of the frames that are missing in it.
    channels : int
        Columns of a frame.
    max_gaps : int
        Gaps remembered. Where the kept frames hold more, the frames before the oldest
        remembered gap are forgotten, so that a gap is never overlooked.

    Raises
    ------
    ValueError
        When one of them is below 1.
    """

    def __init__(self, capacity_frames: int, channels: int, max_gaps: int = 1024) -> None:
        if min(capacity_frames, channels, max_gaps) < 1:
            raise ValueError("a ring needs room for at least one frame, channel and gap")
        self._capacity = capacity_frames
        self._changed = threading.Condition()
        # Written by the writer's thread only, under the condition:
        self._kept = _Twice(capacity_frames, channels)
        self._end = self._oldest = 0
        self._gaps = Gaps(max_gaps)
        self._closed = False
        # Written by the reader's thread only, under the condition:
        self._released = 0

    @property
    def capacity_frames(self) -> int:
        """How many indices are kept."""
        return self._capacity

    @property
    def channels(self) -> int:
        """Columns of a frame."""
        return self._kept.channels

    @property
    def end_index(self) -> int:
        """Absolute index one past the newest frame."""
        with self._changed:
            return self._end

    @property
    def oldest_index(self) -> int:
        """Absolute index of the oldest frame kept; ``end_index`` when there is none."""
        with self._changed:
            return self._oldest

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """The gaps at or after ``oldest_index``, oldest first."""
        with self._changed:
            return self._gaps.all()

    @property
    def closed(self) -> bool:
        """Whether the writer has said that nothing more comes."""
        with self._changed:
            return self._closed

    def write(
        self, samples_v: NDArray[np.float32], first_index: int, gap_before: bool = False
    ) -> None:
        """Append frames; those that no longer fit push out the oldest. Does not wait.

        Parameters
        ----------
        samples_v : numpy.ndarray
            float32, shape (frames, channels), in volts; copied.
        first_index : int
            Absolute index of the first frame; beyond ``end_index`` it makes a gap.
        gap_before : bool
            Time is not continuous before the first frame, though no index may be missing.

        Raises
        ------
        ValueError
            When the index goes backward, or the shape does not fit.
        """
        if samples_v.ndim != 2 or samples_v.shape[1] != self.channels:
            raise ValueError(f"frames of shape {samples_v.shape} for {self.channels} channels")
        with self._changed:
            if first_index < self._end:
                raise ValueError(f"frame {first_index} comes after frame {self._end - 1}")
            if gap_before or first_index > self._end:
                self._gaps.note(self._end, first_index)
            kept_v = samples_v[-self._capacity :]
            self._end = first_index + len(samples_v)
            self._kept.store(kept_v, self._end - len(kept_v))
            oldest = max(self._oldest, self._end - self._capacity)
            self._oldest = self._gaps.forget_before(oldest)
            self._changed.notify_all()

    def close(self) -> None:
        """Say that nothing more comes; whoever waits goes on. What is kept can still be read."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def window(self, start_index: int, end_index: int) -> NDArray[np.float32]:
        """Look at the frames from `start_index` up to, not including, `end_index`.

        Returns
        -------
        numpy.ndarray
            float32, shape (end_index − start_index, channels), a read-only view. It stays true
            until the writer comes round, a capacity later; across threads that is only certain
            for frames that are not released yet and a writer that waits for room. Otherwise
            use :meth:`copy_since`.

        Raises
        ------
        Overrun
            When `start_index` is older than what is kept.
        GapInWindow
            When the window spans a gap, or begins or ends within one.
        ValueError
            When the end is not written yet, or does not lie beyond the start.
        """
        with self._changed:
            if not start_index < end_index <= self._end:
                raise ValueError(
                    f"no window from {start_index} to {end_index}: frames end at {self._end}"
                )
            if start_index < self._oldest and not self._gaps.fills(start_index, self._oldest):
                raise Overrun(min(self._oldest, end_index) - start_index)
            gap = self._gaps.after(start_index)
            if gap is not None and gap.start_index < end_index:
                raise GapInWindow(gap)
            view_v = self._kept.view(start_index, end_index)
            view_v.flags.writeable = False
            return view_v

    def copy_since(self, index: int, max_frames: int) -> Chunk:
        """Copy the frames from `index` on, up to the next gap. Safe across threads.

        When the frame `index` is gone or missing, the chunk begins at the first one after it.

        Returns
        -------
        Chunk
            Empty when nothing has been written since. Its ``end_index`` is what to ask for next.

        Raises
        ------
        ValueError
            When `index` is not from 0 to ``end_index``, or `max_frames` is below 1.
        """
        if max_frames < 1:
            raise ValueError("at least one frame must be asked for")
        with self._changed:
            if not 0 <= index <= self._end:
                raise ValueError(f"no frame {index}: frames end at {self._end}")
            overrun = index < self._oldest and not self._gaps.fills(index, self._oldest)
            start = max(index, self._oldest)
            gap = self._gaps.after(start)
            if gap is not None and gap.start_index <= start:
                start = gap.index
                gap = self._gaps.after(start)
            stop = min(self._end if gap is None else gap.start_index, start + max_frames)
            return Chunk(
                samples_v=self._kept.view(start, stop).copy(),
                first_index=start,
                gap_before=start > index or self._gaps.at(start) is not None,
                lost_frames=start - index,
                overrun=overrun,
            )

    def wait_beyond(self, index: int, timeout_s: float) -> bool:
        """Wait until ``end_index`` is beyond `index`; False on time-out or when none can come."""
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._end > index, timeout_s)
            return self._end > index

    def release(self, index: int) -> None:
        """Tell a writer that waits for room that frames before `index` are done with."""
        with self._changed:
            self._released = max(self._released, index)
            self._changed.notify_all()

    def wait_for_room(self, first_index: int, timeout_s: float) -> int:
        """Return how many frames fit from `first_index` on, over none but released ones.

        Waits until there is room for one; 0 on time-out.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._room(first_index) > 0, timeout_s)
            return max(0, self._room(first_index))

    def _room(self, first_index: int) -> int:
        # A reader who has everything cannot release the missing frames of a wide gap.
        done = first_index if self._released >= self._end else self._released
        return done + self._capacity - first_index
