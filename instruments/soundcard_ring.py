"""The ring between PortAudio's thread and the reader's.

Threads: PortAudio's calls :meth:`CaptureRing.put`, the reader's calls everything else. Each
counter has one writer, so no lock is needed: samples are in place before ``written`` counts
them, and copied before ``released`` gives them back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Delivery:
    """What is known of one call-back's frames.

    Attributes
    ----------
    start : int
        Place of its first frame, counted over all that were kept.
    frames : int
        Frames in it.
    dropped : int
        Frames thrown away just before it because the ring was full.
    overflow : bool
        PortAudio says that input was lost before it.
    arrival_s : float
        Monotonic time of the call-back.
    """

    start: int
    frames: int
    dropped: int
    overflow: bool
    arrival_s: float


class CaptureRing:
    """A ring of frames and of the call-backs that brought them.

    A full ring drops what comes, whole call-backs at a time, until half of it is free again.

    Parameters
    ----------
    frames : int
        How many frames it holds.
    channels : int
        Channels captured.
    deliveries : int
        How many call-backs it holds; a sound server gives some of a few frames only.
    """

    def __init__(self, frames: int, channels: int, deliveries: int = 8192) -> None:
        self._samples = np.zeros((frames, channels), dtype=np.float32)
        self._deliveries = [Delivery(0, 0, 0, False, 0.0)] * deliveries
        self._head = 0  # frames kept; written by put
        self._tail = 0  # frames given back; written by release
        self._dropped = 0  # written by put
        self._overflow = False  # written by put
        self.written = 0
        """Call-backs kept since the start; written by :meth:`put`."""
        self.released = 0
        """Call-backs given back since the start; written by :meth:`release`."""

    def put(self, samples: NDArray[np.float32], overflow: bool, arrival_s: float) -> None:
        """Copy one call-back's samples, shape (frames, channels)."""
        frames = len(samples)
        size = len(self._samples)
        self._overflow = self._overflow or overflow
        if not self._room_for(frames):
            self._dropped += frames
            return
        place = self._head % size
        whole = min(frames, size - place)
        self._samples[place : place + whole] = samples[:whole]
        self._samples[: frames - whole] = samples[whole:]
        self._deliveries[self.written % len(self._deliveries)] = Delivery(
            self._head, frames, self._dropped, self._overflow, arrival_s
        )
        self._head += frames
        self._dropped = 0
        self._overflow = False
        self.written += 1

    def _room_for(self, frames: int) -> bool:
        held, deliveries = self._head - self._tail, self.written - self.released
        size, most = len(self._samples), len(self._deliveries)
        if self._dropped and (held > size // 2 or deliveries > most // 2):
            return False  # one long gap rather than many, where short call-backs still fit
        return held + frames <= size and deliveries < most

    def delivery(self, number: int) -> Delivery:
        """Return what is known of call-back `number`, kept and not yet given back."""
        return self._deliveries[number % len(self._deliveries)]

    def samples(self, number: int) -> NDArray[np.float32]:
        """Return call-back `number`'s samples, shape (frames, channels), good until given back."""
        kept = self.delivery(number)
        place = kept.start % len(self._samples)
        whole = self._samples[place : place + kept.frames]
        if len(whole) == kept.frames:
            return whole
        return np.concatenate([whole, self._samples[: kept.frames - len(whole)]])

    def release(self, end: int) -> None:
        """Give back every call-back before `end`."""
        if end > self.released:
            last = self.delivery(end - 1)
            self._tail = last.start + last.frames
            self.released = end
