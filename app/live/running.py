"""One source that runs: its acquisition, its analysis, and what they have found so far.

Threads: the *acquisition* thread (see :mod:`app.stream.acquisition`) fills the ring. The
*analysis* thread, one for each :class:`Run`, takes copies from the ring and alone feeds the
analyser (see :mod:`app.live.analysing`) and the measurement in hand. Any thread may call the
public methods.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from app.live.analysing import Analysing
from app.live.found import Newest, view_of
from app.live.measure import EnvelopeOptions, analyser_for
from app.live.measuring import Measurements, Taken
from app.live.view import Controls, Phase, View
from app.profiles import Profile
from app.stream.acquisition import Acquisition, State
from app.stream.ring import Ring
from instruments.source import Source, SourceError, SourceInfo

_RING_S = 4.0
_STEP_S = 0.01
_LONGEST_STEP_S = 0.1
_WAIT_S = 0.1
_STOP_WITHIN_S = 2.0


class Run:
    """A source from opening to closing. Used once.

    Parameters
    ----------
    address : str
        As typed.
    make_source : callable
        Returns the source, not yet open; may raise a SourceError.
    profile, options : Profile, EnvelopeOptions
        Disk and limits; what is stated about an envelope.
    strict : bool
        Refuse a source without an envelope when something was stated about one; otherwise what
        was stated counts for nothing there.
    """

    def __init__(
        self,
        address: str,
        make_source: Callable[[], Source],
        profile: Profile,
        options: EnvelopeOptions,
        *,
        strict: bool,
    ) -> None:
        self._address = address
        self._make_source = make_source
        self._profile = profile
        self._options = options
        self._strict = strict
        # Set by whoever stops:
        self._stopping = threading.Event()
        # Written by whoever starts:
        self._thread: threading.Thread | None = None
        # Written by the analysis thread only, each at once and never taken back:
        self._acquisition: Acquisition | None = None
        self._source: Source | None = None
        self._controls: Controls | None = None
        self._failure = ""
        self._error: Exception | None = None
        self._finished = False
        # Each tells in its module who writes what:
        self._newest = Newest()
        self.analysing = Analysing(self._newest)
        self.measurements = Measurements(profile)

    @property
    def controls(self) -> Controls | None:
        """Hands at the virtual drive, when that is the source."""
        return self._controls

    @property
    def error(self) -> Exception | None:
        """What made it fail: a SourceError, or the exception of a fault in the program."""
        acquisition = self._acquisition
        return self._error or (acquisition.error if acquisition is not None else None)

    def start(self, after: Run | None) -> None:
        """Begin in the background, once `after` has stopped."""
        if after is not None:
            after.ask_to_stop()
        self._thread = threading.Thread(
            target=self._work, args=(after,), name="analysis", daemon=True
        )
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Let it stop by itself, without waiting for that."""
        self._stopping.set()

    def stop(self) -> None:
        """Stop and close the source; done within two seconds. May be called again."""
        until_s = time.monotonic() + _STOP_WITHIN_S
        self._stopping.set()
        # The analysis thread does so too, and also where it has just made the acquisition.
        if self._acquisition is not None:
            self._acquisition.stop()
        if self._thread is not None:
            self._thread.join(max(0.0, until_s - time.monotonic()))

    def taken(self) -> Taken | None:
        """Return how far the measurement in hand has come, None where none was asked for."""
        return self.measurements.taken(self._why_failed())

    def _why_failed(self) -> str:
        """Return why the source cannot be opened or read, empty where it can."""
        acquisition = self._acquisition
        status = None if acquisition is None else acquisition.status()
        told = status.message if status is not None and status.state is State.FAILED else ""
        return self._failure or told

    def view(self) -> View:
        """Return a snapshot."""
        acquisition, finished, failure = self._acquisition, self._finished, self._failure
        if acquisition is None:
            phase = Phase.FAILED if failure else Phase.OPENING
            return View(phase=phase, message=failure, source=self._address)
        status = acquisition.status()
        info = status.info
        phase = Phase.FAILED if failure else Phase(status.state.value)
        if phase is Phase.ENDED and not finished:
            # The capture has been read to its end, but not yet looked through.
            phase = Phase.RUNNING
        if not self.analysing.begun and phase in (Phase.RUNNING, Phase.ENDED):
            # It may yet turn out that what was asked for does not fit the source.
            phase, info = Phase.OPENING, None
        begun = View(
            phase=phase,
            message=failure or status.message,
            source=self._address,
            settings=getattr(self._source, "settings", ()),
        )
        now_s = time.monotonic()
        return view_of(begun, status, info, self._newest.take(now_s), now_s)

    # -- the analysis thread -------------------------------------------------------------------

    def _work(self, after: Run | None) -> None:
        if after is not None:
            after.stop()
        if self._stopping.is_set():
            return
        try:
            self._go_through(self._make_source())
        except SourceError as fault:
            self._fail(fault, str(fault))
        except Exception as fault:
            # A thread has nobody to raise it to: it is kept in `error`, and told in the view.
            self._fail(
                fault,
                f"the analysis ended by a fault in the program ({type(fault).__name__}: {fault}); "
                "open the source again, and report the fault if it returns",
            )

    def _fail(self, fault: Exception, words: str) -> None:
        self._error = fault
        self._failure = words

    def _go_through(self, source: Source) -> None:
        acquisition = Acquisition(source, ring_seconds=_RING_S, backpressure=True)
        self._acquisition = acquisition
        self._source = source
        acquisition.start()
        try:
            ring = None
            while ring is None and not self._stopping.is_set():
                ring = acquisition.wait_for_ring(_WAIT_S)
                if ring is None and acquisition.status().state in (State.FAILED, State.CLOSED):
                    return
            if ring is not None:
                self._analyse(acquisition, ring, source)
                self._finished = True
        finally:
            if not self._finished or self._stopping.is_set():
                acquisition.stop()

    def _analyse(self, acquisition: Acquisition, ring: Ring, source: Source) -> None:
        info = source.info
        options = self._options if self._strict else self._options.where_fitting(info)
        self.analysing.begin(analyser_for(info, self._profile, options, keep_all=False))
        self._controls = getattr(source, "controls", None)
        begun_s = None if info.live else time.monotonic()
        time_of = _clock_of(acquisition, begun_s, info.sample_rate_hz)
        step, most = _stride(info, ring)
        at = 0
        while not self._stopping.is_set():
            ended = ring.closed
            if not ring.wait_beyond(at if ended else at + step - 1, _WAIT_S):
                self.measurements.look_after(acquisition.status().state)
                if ended:
                    return
                continue
            due_index = min(at + step, ring.end_index)
            if begun_s is not None and self._is_early(begun_s + due_index / info.sample_rate_hz):
                continue
            chunk = ring.copy_since(at, most)
            at = chunk.end_index
            ring.release(at)
            if not info.continuous:
                self._newest.count_record(time.monotonic())
            marks = acquisition.marks_at(chunk.first_index)
            self.analysing.push(chunk, marks, time_of)
            at_s = time_of(chunk.first_index)
            self.measurements.push(chunk, marks, at_s, source, options)

    def _is_early(self, due_s: float) -> bool:
        """Keep a capture to real time: wait, and say whether it is still too early."""
        early_s = due_s - time.monotonic()
        return early_s > 0.0 and (self._stopping.wait(min(early_s, _WAIT_S)) or early_s > _WAIT_S)


def _stride(info: SourceInfo, ring: Ring) -> tuple[int, int]:
    """Return how many frames are waited for, and how many are taken at the most."""
    if not info.continuous:
        # A record comes whole and is taken whole; a gap follows it.
        return 1, ring.capacity_frames
    step = max(1, round(_STEP_S * info.sample_rate_hz))
    return step, max(step, round(_LONGEST_STEP_S * info.sample_rate_hz)) if info.live else step


def _clock_of(
    acquisition: Acquisition, begun_s: float | None, rate_hz: float
) -> Callable[[int], float]:
    """Return what tells a frame's time: the device's own, or that of a capture's playing."""
    if begun_s is None:
        return acquisition.time_of
    return lambda index: begun_s + index / rate_hz
