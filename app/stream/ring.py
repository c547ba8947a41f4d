"""The newest blocks of a source that have not been taken yet, bounded in number of frames.

Nobody writes to a block once its source has given it, so blocks are kept and handed on as they
are. Samples are copied only where a reader takes what came in several blocks.

Threads: one writer (the acquisition thread) calls ``put``, ``wait_for_room`` and ``close``; one
reader calls ``wait_for``, ``skip`` and ``take``. All state is guarded by one condition.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import replace

import numpy as np

from instruments.source import Block


class Ring:
    """Blocks in order of their frames, which begin at index 0.

    Parameters
    ----------
    capacity_frames : int
        Frames beyond which no block is added: the oldest go first.
    channels : int
        Columns of a frame.

    Raises
    ------
    ValueError
        When one of them is below 1.
    """

    def __init__(self, capacity_frames: int, channels: int) -> None:
        if min(capacity_frames, channels) < 1:
            raise ValueError("a ring needs room for at least one frame and channel")
        self.capacity_frames = capacity_frames
        self.channels = channels
        self._changed = threading.Condition()
        self._blocks: deque[Block] = deque()
        self._frames = 0
        # Written by the writer only:
        self._end_index = 0
        self._missed_frames = 0
        self._closed = False
        # Set by the writer, cleared by the reader:
        self._overrun = False

    @property
    def end_index(self) -> int:
        """Absolute index one past the newest frame."""
        with self._changed:
            return self._end_index

    @property
    def missed_frames(self) -> int:
        """Frames that went before the reader had taken them."""
        with self._changed:
            return self._missed_frames

    @property
    def waiting_frames(self) -> int:
        """Frames that can be taken now."""
        with self._changed:
            return self._frames

    @property
    def closed(self) -> bool:
        """Whether the writer has said that nothing more comes."""
        with self._changed:
            return self._closed

    def put(self, block: Block) -> None:
        """Append a block; the oldest go where there is no room. Does not wait.

        Raises
        ------
        ValueError
            When its index goes backward, or the shape of its samples does not fit.
        """
        shape = block.samples_v.shape
        if len(shape) != 2 or shape[1] != self.channels:
            raise ValueError(f"frames of shape {shape} for {self.channels} channels")
        with self._changed:
            if block.first_index < self._end_index:
                raise ValueError(
                    f"frame {block.first_index} comes after frame {self._end_index - 1}"
                )
            if block.first_index > self._end_index and not block.gap_before:
                block = replace(block, gap_before=True)
            while self._frames >= self.capacity_frames:
                self._drop_oldest()
            self._blocks.append(block)
            self._frames += len(block.samples_v)
            self._end_index = block.end_index
            self._changed.notify_all()

    def close(self) -> None:
        """Say that nothing more comes; whoever waits goes on. What is kept can still be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def wait_for_room(self, timeout_s: float) -> bool:
        """Wait until less than the capacity is kept; False on time-out."""
        with self._changed:
            return self._changed.wait_for(lambda: self._frames < self.capacity_frames, timeout_s)

    def wait_for(self, frames: int, timeout_s: float) -> bool:
        """Wait until so many frames can be taken, or no more come; False on time-out."""
        with self._changed:
            return self._changed.wait_for(lambda: self._closed or self._frames >= frames, timeout_s)

    def skip(self, frames: int) -> None:
        """Let the oldest blocks go as long as so many newer frames remain; they count as missed."""
        with self._changed:
            while self._blocks and self._frames - len(self._blocks[0].samples_v) >= frames:
                self._drop_oldest()
            self._changed.notify_all()

    def _drop_oldest(self) -> None:
        missed = len(self._blocks.popleft().samples_v)
        self._frames -= missed
        self._missed_frames += missed
        self._overrun = True

    def take(self, max_frames: int) -> Block | None:
        """Return the oldest frames as one block, up to a gap or to where something else is said.

        Returns
        -------
        Block or None
            With ``overrun`` and ``gap_before`` where frames before it were missed. None when
            there is nothing.

        Raises
        ------
        ValueError
            When `max_frames` is below 1.
        """
        if max_frames < 1:
            raise ValueError("at least one frame must be asked for")
        with self._changed:
            if not self._blocks:
                return None
            run = [self._blocks.popleft()]
            frames = len(run[0].samples_v)
            while frames < max_frames and self._blocks and run[-1].goes_on_with(self._blocks[0]):
                run.append(self._blocks.popleft())
                frames += len(run[-1].samples_v)
            if frames > max_frames:
                kept = len(run[-1].samples_v) - (frames - max_frames)
                self._blocks.appendleft(run[-1].part(kept))
                run[-1] = run[-1].part(0, kept)
                frames = max_frames
            self._frames -= frames
            overrun, self._overrun = self._overrun, False
            self._changed.notify_all()
        block = run[0]
        if len(run) > 1:
            block = replace(block, samples_v=np.concatenate([each.samples_v for each in run]))
        return replace(block, gap_before=True, overrun=True) if overrun else block
