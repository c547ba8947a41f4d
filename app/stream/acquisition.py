"""One thread that opens a source, reads it, and fills the ring.

Threads: the *acquisition* thread, one for each :class:`Acquisition`, is the only one that opens
and reads the source and writes the ring, the meters and the state. Any other thread may call
``start``, ``stop``, ``status``, ``time_of`` and the waits, and takes samples from the ring. A
third, *acquisition-closer*, lives only where ``stop`` must close a source whose read hangs.

States::

    closed -> opening -> running -> ended     the source has given all that it holds
                 |       |  ^  |
                 |       v  |  +--> closed    stopped
                 |       lost                 closed and opened again until it is back
                 |        |
                 +--------+-------> failed    it could not be opened or cannot be read, or the
                                              program is at fault; ``error`` holds the exception
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from app.stream.intake import Intake, Marks, Taken
from app.stream.ring import Ring
from instruments.source import (
    Source,
    SourceEnd,
    SourceError,
    SourceLost,
    SourceTimeout,
    SourceUnavailable,
)

_STOP_WITHIN_S = 2.0
_READING_GRACE_S = 1.0
# What a source says that may be back soon, once it has been open.
_AWAY = (SourceLost, SourceTimeout, SourceUnavailable)


class State(StrEnum):
    """Where the acquisition is in its life."""

    CLOSED = "closed"
    """Not started yet, or stopped before the source came to an end."""
    OPENING = "opening"
    RUNNING = "running"
    LOST = "lost"
    """The source went away; it is opened again until it is back."""
    ENDED = "ended"
    """A finite source has been read to its end."""
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Timing:
    """How long the acquisition waits, and by which clock.

    Attributes
    ----------
    read_timeout_s : float
        Longest wait in one read; a stop takes about as long.
    silence_limit_s : float
        A source from which nothing comes for this long is taken for lost.
    retry_s : float
        Pause before a lost source is opened again.
    clock : callable
        Monotonic time in seconds.
    sleep : callable or None
        Waits the seconds given; None waits for the stop, so that a stop ends the pause.
    """

    read_timeout_s: float = 0.2
    silence_limit_s: float = 5.0
    retry_s: float = 1.0
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], object] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Status(Taken):
    """The acquisition at one moment: its state, and what has come in.

    Attributes
    ----------
    state : State
        Where it is in its life.
    message : str
        One sentence about a state that is not as it should be, else empty.
    """

    state: State
    message: str


class Acquisition:
    """Reads one source into a ring until the source ends or fails, or until a stop. Used once.

    Parameters
    ----------
    source : Source
        Closed; it belongs to the acquisition from :meth:`start` on.
    ring_seconds : float
        History kept, by the source's nominal rate.
    ring_bytes : int
        Upper limit of the ring's memory, which goes before `ring_seconds`.
    backpressure : bool
        Wait until the reader has released frames rather than overwrite them, unless the source is
        live: a capture is to be read whole. The reader must not wait for more frames than the
        ring keeps. Otherwise the newest frames win, and the reader is told what it lost.
    timing : Timing, optional
        Waits and clock.
    """

    def __init__(
        self,
        source: Source,
        *,
        ring_seconds: float,
        ring_bytes: int = 512 << 20,
        backpressure: bool = False,
        timing: Timing | None = None,
    ) -> None:
        self._source = source
        self._intake = Intake(ring_seconds, ring_bytes, backpressure)
        self._timing = timing or Timing()
        self._thread = threading.Thread(target=self._run, name="acquisition", daemon=True)
        # Set by whoever stops:
        self._stop = threading.Event()
        # Set by the acquisition thread only:
        self._reading_done = threading.Event()
        # Written by the acquisition thread only, under the condition:
        self._changed = threading.Condition()
        self._state = State.CLOSED
        self._message = ""
        self._error: Exception | None = None

    @property
    def ring(self) -> Ring | None:
        """The ring, once the source has been open."""
        return self._intake.ring

    @property
    def error(self) -> Exception | None:
        """What made it fail: a SourceError, or the exception of a fault in the program."""
        with self._changed:
            return self._error

    def status(self) -> Status:
        """Return a snapshot."""
        taken = self._intake.taken()
        with self._changed:
            return Status(
                state=self._state,
                message=self._message,
                info=taken.info,
                frames=taken.frames,
                lost_frames=taken.lost_frames,
                levels=taken.levels,
            )

    def time_of(self, index: int) -> float:
        """Return the monotonic time at which a frame was taken, in seconds.

        Raises
        ------
        LookupError
            Before the first block.
        """
        return self._intake.time_of(index)

    def marks_at(self, index: int) -> Marks:
        """Return what is said of the block that begins at a frame."""
        return self._intake.marks_at(index)

    def start(self) -> None:
        """Open the source in the background.

        Raises
        ------
        RuntimeError
            When it was started before.
        """
        self._thread.start()

    def wait_for_ring(self, timeout_s: float) -> Ring | None:
        """Wait until the source is open; None on time-out or when it will not be."""
        with self._changed:
            self._changed.wait_for(lambda: self.ring or self._reading_done.is_set(), timeout_s)
        return self.ring

    def stop(self) -> bool:
        """Stop reading and close the source, within two seconds. May be called again.

        Returns
        -------
        bool
            False when the source holds its thread past that; the thread ends when it lets go.
        """
        self._stop.set()
        if self._thread.ident is None:
            return True
        deadline_s = time.monotonic() + _STOP_WITHIN_S
        if not self._reading_done.wait(_READING_GRACE_S):
            closing = self._source.close
            threading.Thread(target=closing, name="acquisition-closer", daemon=True).start()
        self._thread.join(max(0.0, deadline_s - time.monotonic()))
        return not self._thread.is_alive()

    def join_and_raise(self, timeout_s: float) -> bool:
        """Wait for the end without asking for it.

        Returns
        -------
        bool
            Whether it has come to its end.

        Raises
        ------
        Exception
            What made it fail, if it failed.
        """
        self._thread.join(timeout_s)
        if self.error is not None:
            raise self.error
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._acquire()
            self._become(State.CLOSED)
        except SourceEnd:
            self._become(State.ENDED)
        except SourceError as fault:
            # A source that is closed under its read may complain of that in any of these ways.
            if self._stop.is_set():
                self._become(State.CLOSED)
            else:
                self._become(State.FAILED, str(fault), fault)
        except Exception as fault:
            self._become(State.FAILED, _words_for(fault), fault)
        self._intake.close()
        with self._changed:
            self._reading_done.set()
            self._changed.notify_all()
        try:
            self._source.close()
        except Exception as fault:
            # An earlier failure goes before that of the closing, which often follows from it.
            if self._state is not State.FAILED:
                self._become(State.FAILED, _words_for(fault), fault)

    def _become(self, state: State, message: str = "", error: Exception | None = None) -> None:
        with self._changed:
            self._state, self._message, self._error = state, message, error
            self._changed.notify_all()

    def _acquire(self) -> None:
        if self._stop.is_set():
            return
        self._become(State.OPENING)
        self._open()
        while not self._stop.is_set():
            try:
                if self._state is State.LOST:
                    self._open()
                self._read_on()
            except _AWAY as fault:
                self._become(State.LOST, str(fault))
                self._source.close()
                (self._timing.sleep or self._stop.wait)(self._timing.retry_s)

    def _open(self) -> None:
        self._source.open()
        self._intake.prepare(self._source.info)
        self._become(State.RUNNING)

    def _read_on(self) -> None:
        clock = self._timing.clock
        heard_s = clock()
        while not self._stop.is_set():
            try:
                block = self._source.read(self._timing.read_timeout_s)
            except SourceTimeout:
                if clock() - heard_s >= self._timing.silence_limit_s:
                    raise
                continue
            self._intake.take(block, self._stop)
            heard_s = clock()


def _words_for(fault: Exception) -> str:
    return (
        f"the reading ended by a fault in the program ({type(fault).__name__}: {fault}); "
        "open the source again, and report the fault if it returns"
    )
