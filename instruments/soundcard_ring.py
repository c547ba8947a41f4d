"""The ring between PortAudio's thread and the reader's.

Threads: PortAudio's calls :meth:`CaptureRing.put`, the reader's calls everything else. Each
counter has one writer, so no lock is needed: a slot is filled before ``written`` counts it, and
copied before ``released`` gives it back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Slot:
    """What is known of one call-back's frames.

    Attributes
    ----------
    frames : int
        Frames in the slot.
    dropped : int
        Frames thrown away just before it because the ring was full.
    overflow : bool
        PortAudio says that input was lost before it.
    arrival_s : float
        Monotonic time of the call-back.
    """

    frames: int
    dropped: int
    overflow: bool
    arrival_s: float


class CaptureRing:
    """A ring of slots, one a call-back; a full ring drops what comes and counts it.

    Parameters
    ----------
    slots : int
        How many call-backs it holds.
    frames : int
        Most frames in one call-back.
    channels : int
        Channels captured.
    """

    def __init__(self, slots: int, frames: int, channels: int) -> None:
        self._samples = np.zeros((slots, frames, channels), dtype=np.float32)
        self._slots = [Slot(0, 0, False, 0.0)] * slots
        self._dropped = 0  # written by put
        self._overflow = False  # written by put
        self.written = 0
        """Slots filled since the start; written by :meth:`put`."""
        self.released = 0
        """Slots given back since the start; written by :meth:`release`."""

    def put(self, samples: NDArray[np.float32], overflow: bool, arrival_s: float) -> None:
        """Copy one call-back's samples, shape (frames, channels), into the next slot."""
        frames = len(samples)
        self._overflow = self._overflow or overflow
        if self.written - self.released >= len(self._slots):
            self._dropped += frames
            return
        place = self.written % len(self._slots)
        self._samples[place, :frames] = samples
        self._slots[place] = Slot(frames, self._dropped, self._overflow, arrival_s)
        self._dropped = 0
        self._overflow = False
        self.written += 1

    def slot(self, number: int) -> Slot:
        """Return what is known of slot `number`, written and not yet released."""
        return self._slots[number % len(self._slots)]

    def samples(self, number: int) -> NDArray[np.float32]:
        """Return a view of slot `number`, shape (frames, channels), good until its release."""
        place = number % len(self._slots)
        return self._samples[place, : self._slots[place].frames]

    def release(self, end: int) -> None:
        """Give back every slot before `end`."""
        self.released = end
