"""One capture from a sound input, from the start of its stream to the end.

Threads: PortAudio's thread fills :class:`CaptureRing` and does nothing else; the reader's checks
the pace, copies out and notices loss; any thread may close. Each of the ring's counters has one
writer, so no lock is needed: samples are in place before ``written`` counts them, and copied before
``released`` gives them back. ``_finished`` is written by PortAudio's thread, ``_closing`` by
whoever closes, everything else by the reader's.

A sound server that is not served in time drops frames and reports nothing. It shows in the times:
callbacks lag behind the count of frames by an amount that jitters upward only, and whose floor
rises for good by what was lost.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.proof import InputProof
from instruments.sound.portaudio import Device, PortAudio
from instruments.sound.server import Watch, lost_by_server
from instruments.source import Block, ChannelRoles, Role, SourceLost, SourceTimeout


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


class Finding(Enum):
    """What a call-back's arrival says of itself and of those held before it."""

    SOUND = "sound"
    """They follow on without loss."""
    HELD = "held"
    """Late; later ones will tell whether frames were lost."""
    LOST = "lost"
    """Frames were lost somewhere among them; none of them can be relied on."""


@dataclass(frozen=True, slots=True)
class PaceLimits:
    """How the floor is judged, in seconds.

    Attributes
    ----------
    tolerance_s : float
        A rise of the floor by less is no loss.
    judge_s : float
        How long the rise must stand.
    settle_s : float
        At the start a server hands over what had gathered; for so long the floor is only learned.
    memory_s : float
        How far back the floor reaches; it follows a clock that drifts.
    drift_s : float
        Times are corrected once they are off by so much, and run even in between.
    """

    tolerance_s: float = 0.05
    judge_s: float = 0.5
    settle_s: float = 1.5
    memory_s: float = 2.0
    drift_s: float = 0.05


class _Floor:
    """The least lag of the last few seconds, in quarters of that time."""

    def __init__(self, memory_s: float) -> None:
        self._step_s = memory_s / 4
        self._least: deque[tuple[int, float]] = deque(maxlen=4)

    def add(self, arrival_s: float, lag_s: float) -> None:
        step = int(arrival_s / self._step_s)
        if self._least and self._least[-1][0] == step:
            self._least[-1] = (step, min(self._least[-1][1], lag_s))
        else:
            self._least.append((step, lag_s))

    def forget(self) -> None:
        while len(self._least) > 2:
            self._least.popleft()

    @property
    def lag_s(self) -> float:
        return min(lag for _, lag in self._least)


class SoundPace:
    """Counts a device's frames, those lost included.

    Parameters
    ----------
    rate_hz : float
        Nominal frames a second.
    limits : PaceLimits
        How losses are judged.
    """

    def __init__(self, rate_hz: float, limits: PaceLimits | None = None) -> None:
        self._rate_hz = rate_hz
        self._limits = limits or PaceLimits()
        self._floor = _Floor(self._limits.memory_s)
        self._began_s: float | None = None
        self._settled = False
        self._origin_s: float | None = None
        self._held: list[tuple[float, float]] = []
        self.end = 0
        """Absolute index just after the newest frame."""

    def time_of(self, index: int) -> float:
        """Return the monotonic time of frame `index`, in seconds."""
        lag_s = self._floor.lag_s
        if self._origin_s is None or abs(lag_s - self._origin_s) > self._limits.drift_s:
            self._origin_s = lag_s
        return self._origin_s + index / self._rate_hz

    def observe(self, frames: int, arrival_s: float) -> Finding:
        """Count a call-back's frames, those dropped just before it included, and judge them."""
        self.end += frames
        lag_s = arrival_s - self.end / self._rate_hz
        if self._settling(arrival_s) or lag_s - self._floor.lag_s <= self._limits.tolerance_s:
            self._floor.add(arrival_s, lag_s)
            self._held.clear()
            return Finding.SOUND
        self._held.append((arrival_s, lag_s))
        return self._judge(arrival_s)

    def _settling(self, arrival_s: float) -> bool:
        if self._began_s is None:
            self._began_s = arrival_s
        if arrival_s - self._began_s < self._limits.settle_s:
            return True
        if not self._settled:
            self._settled = True
            self._floor.forget()
        return False

    def _judge(self, arrival_s: float) -> Finding:
        limits = self._limits
        late_s = arrival_s - self._held[0][0]
        if late_s < limits.judge_s:
            return Finding.HELD
        half_s = arrival_s - limits.judge_s / 2
        newer_s = min(lag for at, lag in self._held if at >= half_s)
        older_s = min(lag for at, lag in self._held if at < half_s)
        catching_up = older_s - newer_s > limits.tolerance_s / 2
        if catching_up and late_s < 4 * limits.judge_s:
            return Finding.HELD
        self.end += round((newer_s - self._floor.lag_s) * self._rate_hz)
        self._held.clear()
        return Finding.LOST


# A 16-bit converter's highest code is 32767/32768 of full scale.
_CLIPPED = 1 - 1.5 / 32768


@dataclass(frozen=True, slots=True)
class SoundTiming:
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
        Without a first call-back for so long, the device is gone: a sound server may take its time.
    silence_s : float
        The same after the first.
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


class SoundCapture:
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
        columns: ChannelRoles,
        full_scale_v: float | None,
        timing: SoundTiming,
    ) -> None:
        self._portaudio = portaudio
        self._what = f"sound input “{device.full_name}”"
        self._rate_hz = rate_hz
        self._timing = timing
        self._full_scale_v = full_scale_v
        self._proof: InputProof | None = None
        self._kept = [n for n, role in enumerate(columns) if role is not None]
        self._signals = [at for at, n in enumerate(self._kept) if columns[n] is not Role.INDEX]
        self._block_frames = round(rate_hz * timing.block_s)
        self._ring = CaptureRing(round(rate_hz * timing.ring_s), len(columns))
        self._pace = SoundPace(rate_hz)
        self._taken = 0  # call-backs judged or being judged
        self._held: list[_Ready] = []
        self._ready: deque[_Ready] = deque()
        self._gap = False  # the next to be ready does not follow on
        self._overrun = False
        self._silent_s = 0.0
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

    def go_by(self, full_scale_v: float | None, proof: InputProof | None) -> None:
        """Go by what is known of the input from the next block on.

        Parameters
        ----------
        full_scale_v : float or None
            Volts at which it clips; None leaves volts relative.
        proof : InputProof or None
            What a check found of it: blocks are told as clipped where it cuts tops off.
        """
        self._full_scale_v, self._proof = full_scale_v, proof

    def _wait(self, longest_s: float) -> None:
        before_s = time.monotonic()
        self._news.wait(longest_s)
        # Time in which the whole process stood still is no silence of the device.
        waited_s = min(time.monotonic() - before_s, 2 * self._timing.look_s)
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
        timing = self._timing
        longest_s = timing.silence_s if self._taken else timing.grace_s
        if not self._finished and self._silent_s < longest_s:
            return
        if self._watch is not None and (by_server := lost_by_server(self._what, self._watch.first)):
            raise SourceLost(by_server)
        if self._finished:
            raise SourceLost(
                f"{self._what}: it stopped; check that it is plugged in and that the "
                "sound server runs"
            )
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
        clipped |= self._proof is not None and self._proof.is_cut(signals, 1.0)
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
