"""What an acquisition makes of the blocks: the ring, the counts, the levels and the times.

Threads: the acquisition thread calls ``prepare``, ``take`` and ``close``; any thread may call the
rest. The ring guards itself, all else is guarded by one lock.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

from app.stream.meters import ChannelLevel, FrameTimes, LevelMeter, peaks
from app.stream.ring import Ring
from instruments.source import Block, SourceError, SourceInfo

_BYTES_A_SAMPLE = 2 * 4  # float32, written twice
_ROOM_WAIT_S = 0.1


@dataclass(frozen=True, slots=True)
class Marks:
    """What a block says of all of its frames, or of its first.

    Attributes
    ----------
    extremes, at_index, clipped : bool
        As :class:`~instruments.source.Block` has them.
    """

    extremes: bool = False
    at_index: bool = False
    clipped: bool = False


@dataclass(frozen=True, slots=True)
class Taken:
    """What has come in so far.

    Attributes
    ----------
    info : SourceInfo or None
        What is known of the source once it has been open.
    frames, lost_frames : int
        Frames written to the ring; frames that the source knows to have lost. What it would
        have given while it was away is not counted.
    levels : tuple of ChannelLevel
        One a channel, over the last half second of samples; empty before the first block.
    """

    info: SourceInfo | None
    frames: int
    lost_frames: int
    levels: tuple[ChannelLevel, ...]


class Intake:
    """Puts the blocks of one source, opened once or many times, on one axis of frame indices.

    Parameters
    ----------
    ring_seconds : float
        History kept, by the source's nominal rate.
    ring_bytes : int
        Upper limit of the ring's memory, which goes before `ring_seconds`.
    backpressure : bool
        Wait until the reader has released frames rather than overwrite them, unless the source
        is live.
    """

    def __init__(self, ring_seconds: float, ring_bytes: int, backpressure: bool) -> None:
        self._ring_seconds = ring_seconds
        self._ring_bytes = ring_bytes
        self._backpressure = backpressure
        # Used by the acquisition thread only:
        self._base_index = 0
        self._gap_pending = False
        self._waits = backpressure
        # Written by the acquisition thread only, under the lock:
        self._lock = threading.Lock()
        self._ring: Ring | None = None
        self._meter: LevelMeter | None = None
        self._times = FrameTimes()
        self._marks: dict[int, Marks] = {}
        self._info: SourceInfo | None = None
        self._frames = 0
        self._lost_frames = 0

    @property
    def ring(self) -> Ring | None:
        """The ring, from the first :meth:`prepare` on."""
        with self._lock:
            return self._ring

    def taken(self) -> Taken:
        """Return what has come in so far."""
        with self._lock:
            levels = self._meter.levels() if self._meter else ()
            return Taken(self._info, self._frames, self._lost_frames, levels)

    def time_of(self, index: int) -> float:
        """Return the monotonic time of a frame, in seconds.

        Raises
        ------
        LookupError
            Before the first block.
        """
        with self._lock:
            return self._times.time_of(index)

    def marks_at(self, index: int) -> Marks:
        """Return the marks of the block that begins at `index`; none where no block begins."""
        with self._lock:
            return self._marks.get(index, Marks())

    def prepare(self, info: SourceInfo) -> None:
        """Make ready for the blocks of a source that has just been opened.

        Raises
        ------
        SourceError
            When it came back as another than it was.
        """
        with self._lock:
            if self._ring is None:
                self._ring = Ring(self._capacity(info), len(info.roles))
                self._meter = LevelMeter(len(info.roles), info.full_scale_v)
            elif self._info is not None and _kind(info) != _kind(self._info):
                raise SourceError(
                    f"{info.name}: it came back with other channels or another sample rate "
                    f"({info.sample_rate_hz:g} Hz); open it anew"
                )
            else:
                self._base_index = self._ring.end_index
                self._gap_pending = True
            self._info = info
            self._waits = self._backpressure and not info.live

    def take(self, block: Block, stop: threading.Event) -> None:
        """Write one block, waiting for room where the reader is waited for, until `stop`."""
        ring, meter = self._ring, self._meter
        if ring is None or meter is None:
            raise RuntimeError("a block came before the source was open")
        gap_before = block.gap_before or self._gap_pending
        self._gap_pending = gap_before and len(block.samples_v) == 0
        if len(block.samples_v) == 0:
            return
        first_index = self._base_index + block.first_index
        end_index = first_index + len(block.samples_v)
        lost_frames = first_index - ring.end_index
        peaks_v = peaks(block.samples_v)
        with self._lock:
            # Before the frames, so that whoever sees a frame can ask for its time.
            self._times.add(first_index, block.t0_s, block.sample_rate_hz)
            self._times.forget_before(ring.oldest_index)
            self._mark(block, first_index, ring.oldest_index)
            meter.add(block, peaks_v, end_index)
            self._lost_frames += max(0, lost_frames)
        if not self._waits:
            self._write(ring, block, slice(None), gap_before)
            return
        done = 0
        while done < len(block.samples_v) and not stop.is_set():
            room = ring.wait_for_room(first_index + done, _ROOM_WAIT_S)
            if room:
                self._write(ring, block, slice(done, done + room), gap_before and done == 0)
                done += room

    def _mark(self, block: Block, first_index: int, oldest_index: int) -> None:
        marks = Marks(block.extremes, block.at_index, block.clipped)
        if marks != Marks():
            self._marks[first_index] = marks
        for index in [index for index in self._marks if index < oldest_index]:
            del self._marks[index]

    def close(self) -> None:
        """Tell the reader that nothing more comes."""
        if self._ring is not None:
            self._ring.close()

    def _write(self, ring: Ring, block: Block, part: slice, gap_before: bool) -> None:
        samples_v = block.samples_v[part]
        first_index = self._base_index + block.first_index + (part.start or 0)
        ring.write(samples_v, first_index, gap_before)
        with self._lock:
            self._frames += len(samples_v)

    def _capacity(self, info: SourceInfo) -> int:
        wanted = math.ceil(self._ring_seconds * info.sample_rate_hz)
        allowed = self._ring_bytes // (_BYTES_A_SAMPLE * len(info.roles))
        return max(1, min(wanted, allowed))


def _kind(info: SourceInfo) -> tuple[object, ...]:
    return info.roles, info.sample_rate_hz
