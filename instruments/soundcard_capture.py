"""One capture, from the start of its stream to the end.

Threads: PortAudio's fills the ring and does nothing else; the reader's judges, copies out and
notices loss; any thread may close. Writers: ``_finished`` PortAudio's, ``_closing`` whoever
closes, all else the reader's.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.soundcard_options import Columns
from instruments.soundcard_pace import Finding, Pace
from instruments.soundcard_portaudio import Device, PortAudio
from instruments.soundcard_ring import CaptureRing
from instruments.soundcard_server import Watch
from instruments.source import Block, Role, SourceLost, SourceTimeout

# A 16-bit converter's highest code is 32767/32768 of full scale.
_CLIPPED = 1 - 1.5 / 32768


@dataclass(frozen=True, slots=True)
class Timing:
    """Times of a capture, in seconds.

    Attributes
    ----------
    latency_s : float
        Asked of PortAudio; less gives ragged call-backs.
    ring_s : float
        What the ring holds: how long the reader may stall without loss.
    block_s : float
        Most in one block.
    grace_s : float
        A sound server may take this long to deliver at first.
    silence_s : float
        Without call-backs for so long, the device is gone.
    look_s : float
        How often a waiting reader looks round.
    close_s : float
        How long closing waits for the device.
    """

    latency_s: float = 0.15
    ring_s: float = 4.0
    block_s: float = 0.25
    grace_s: float = 3.0
    silence_s: float = 1.0
    look_s: float = 0.1
    close_s: float = 1.5


@dataclass(frozen=True, slots=True)
class _Ready:
    """A call-back whose frames may be delivered."""

    number: int
    frames: int
    first_index: int
    gap: bool
    overrun: bool


class Capture:
    """A running stream and what it has delivered.

    Parameters
    ----------
    portaudio : PortAudio
        Where streams are started.
    device : Device
        What to capture from.
    rate_hz : int
        Frames a second.
    columns : tuple of (Role or None)
        One an input channel.
    full_scale_v : float or None
        Volts at full scale.
    timing : Timing
        Times.

    Raises
    ------
    SourceUnavailable
        When the device refuses.
    """

    def __init__(
        self,
        portaudio: PortAudio,
        device: Device,
        rate_hz: int,
        columns: Columns,
        full_scale_v: float | None,
        timing: Timing,
    ) -> None:
        self._portaudio = portaudio
        self._what = f"sound input “{device.name}”"
        self._rate_hz = rate_hz
        self._timing = timing
        self._full_scale_v = full_scale_v
        self._kept = [n for n, role in enumerate(columns) if role is not None]
        self._signals = [at for at, n in enumerate(self._kept) if columns[n] is not Role.INDEX]
        self._block_frames = round(rate_hz * timing.block_s)
        self._ring = CaptureRing(round(rate_hz * timing.ring_s), len(columns))
        self._pace = Pace(rate_hz)
        self._taken = 0  # call-backs judged or being judged
        self._held: list[_Ready] = []
        self._ready: deque[_Ready] = deque()
        self._gap = False  # the next to be ready does not follow on
        self._overrun = False
        self._silent_s = 0.0
        self._awake_s = 0.0
        self._news = threading.Event()
        self._finished = False
        self._closing = False
        self._watch: Watch | None = None
        self._stream: Any = portaudio.start(
            device,
            samplerate=rate_hz,
            channels=len(columns),
            blocksize=0,  # as the device has them: frames re-blocked arrive raggedly in time
            latency=timing.latency_s,
            callback=self._on_samples,
            finished_callback=self._on_finished,
        )

    def watch(self, watch: Watch) -> None:
        """Let `watch` tell whether the samples still come from the same input."""
        self._watch = watch

    def _on_samples(self, samples: NDArray[np.float32], _: int, __: Any, status: Any) -> None:
        self._ring.put(samples, status.input_overflow, time.monotonic())
        self._news.set()

    def _on_finished(self) -> None:
        self._finished = True
        self._news.set()

    def read(self, timeout_s: float) -> Block:
        """Return the next block.

        Raises
        ------
        SourceTimeout
            When none came in time.
        SourceLost
            When the device is gone or the capture was closed.
        """
        deadline_s = time.monotonic() + timeout_s
        while True:
            self._news.clear()
            self._check_input()
            self._take()
            if self._ready:
                return self._deliver()
            self._check_device()
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                raise SourceTimeout(f"{self._what}: no samples within {timeout_s:g} s")
            self._wait(min(left_s, self._timing.look_s))

    def _wait(self, longest_s: float) -> None:
        before_s = time.monotonic()
        self._news.wait(longest_s)
        # Time in which the whole process stood still is no silence of the device.
        waited_s = min(time.monotonic() - before_s, 2 * self._timing.look_s)
        self._awake_s += waited_s
        self._silent_s += waited_s

    def _check_input(self) -> None:
        if self._closing:
            raise SourceLost(f"{self._what}: it was closed while it was being read; open it again")
        if self._watch is not None and self._watch.moved_to is not None:
            raise SourceLost(
                f"{self._what}: the sound server moved the capture to “{self._watch.moved_to}”; "
                "plug the input in again, or choose it anew in the sound settings"
            )

    def _check_device(self) -> None:
        if self._finished:
            raise SourceLost(
                f"{self._what}: it stopped; check that it is plugged in and that the "
                "sound server runs"
            )
        timing = self._timing
        if self._awake_s >= timing.grace_s and self._silent_s >= timing.silence_s:
            raise SourceLost(
                f"{self._what}: no samples have come for {self._silent_s:.1f} s; "
                "check that it is plugged in and switched on"
            )

    def _take(self) -> None:
        """Judge what came since."""
        written = self._ring.written
        if written > self._taken:
            self._silent_s = 0.0
        for number in range(self._taken, written):
            came = self._ring.delivery(number)
            finding = self._pace.observe(came.dropped + came.frames, came.arrival_s)
            self._overrun = self._overrun or came.dropped > 0
            self._gap = self._gap or came.overflow or came.dropped > 0
            if finding is Finding.LOST:
                # The loss lies somewhere within: what came while in doubt is lost as well.
                self._overrun = self._overrun or any(item.overrun for item in self._held)
                self._held.clear()
                self._gap = True
                continue
            first_index = self._pace.end - came.frames
            self._held.append(_Ready(number, came.frames, first_index, self._gap, self._overrun))
            self._gap = self._overrun = False
            if finding is Finding.SOUND:
                self._ready.extend(self._held)
                self._held.clear()
        self._taken = written
        if not self._ready and not self._held:
            self._ring.release(self._taken)

    def _deliver(self) -> Block:
        """Copy out a run of frames that follow on."""
        run = [self._ready.popleft()]
        frames = run[0].frames
        while self._ready and frames < self._block_frames and not self._ready[0].gap:
            frames += self._ready[0].frames
            run.append(self._ready.popleft())
        full_scale_v = self._full_scale_v or 1.0
        parts = [self._ring.samples(item.number) for item in run]
        # take, unlike indexing, leaves whole frames side by side
        samples_v = np.concatenate(parts).take(self._kept, axis=1)
        self._ring.release(run[-1].number + 1)
        signals = samples_v[:, self._signals]
        clipped = bool(np.any(np.abs(signals) >= _CLIPPED))
        if full_scale_v != 1.0:
            samples_v *= np.float32(full_scale_v)
        return Block(
            samples_v=samples_v,
            sample_rate_hz=float(self._rate_hz),
            first_index=run[0].first_index,
            t0_s=self._pace.time_of(run[0].first_index),
            gap_before=run[0].gap,
            overrun=run[0].overrun,
            clipped=clipped,
            uncalibrated=self._full_scale_v is None,
        )

    def close(self) -> None:
        """Stop the stream, once; within two seconds, from any thread."""
        self._closing = True
        self._news.set()
        if self._watch is not None:
            self._watch.stop()
        stream, self._stream = self._stream, None
        if stream is not None:
            self._portaudio.close(stream, self._timing.close_s)
