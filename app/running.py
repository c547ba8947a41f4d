"""One source that runs: its acquisition, its analysis, and what they have found so far.

Threads: the *acquisition* thread (see :mod:`app.stream.acquisition`) fills the ring. The
*analysis* thread, one for each :class:`Run`, takes copies from the ring and alone feeds the
analyser; what it finds it publishes under ``_lock``. Any thread may call the public methods.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable

import numpy as np

from app.analysis import messages
from app.analysis.analyser import Analyser
from app.analysis.balance import invalid
from app.analysis.reading import Message, Reading
from app.measure import EnvelopeOptions, analyser_for
from app.profiles import Profile
from app.stream.acquisition import Acquisition, State, Status
from app.stream.ring import Chunk, Ring
from app.view import Controls, Level, Phase, View
from instruments.source import Role, Source, SourceError, SourceInfo

STALE_AFTER_S = 1.0
"""A reading older than this is not shown."""

_STRIP_S = 60.0
_RING_S = 4.0
_STEP_S = 0.01
_LONGEST_STEP_S = 0.1
_WAIT_S = 0.1
_LOW_PART = 0.01
_LOW_V = 2e-3

LOW_LEVEL = Message(
    "the level is low: a ×10 probe into a line input, the wrong input, or an input that is muted"
)
NO_LEVEL = Message("no level at all: the input is muted, or nothing is connected to it")


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
    """

    def __init__(
        self,
        address: str,
        make_source: Callable[[], Source],
        profile: Profile,
        options: EnvelopeOptions,
    ) -> None:
        self._address = address
        self._make_source = make_source
        self._profile = profile
        self._options = options
        self._thread = threading.Thread(target=self._work, name="analysis", daemon=True)
        self._stopping = threading.Event()
        # Written by the analysis thread only:
        self._acquisition: Acquisition | None = None
        self._failure = ""
        self._info: SourceInfo | None = None
        # Used by the analysis thread, and by whoever teaches; under the lock:
        self._lock = threading.Lock()
        self._analyser: Analyser | None = None
        # Written by the analysis thread only, under the lock:
        self._reading: Reading | None = None
        self._reading_at_s = 0.0
        self._strip: deque[tuple[float, float]] = deque()
        self._missed = 0
        self.controls: Controls | None = None
        """Hands at the virtual drive; written by the analysis thread."""

    def start(self, after: Run | None) -> None:
        """Begin in the background, once `after` has stopped."""
        self._after = after
        self._thread.start()

    def stop(self) -> None:
        """Stop and close the source; done within two seconds. May be called again."""
        self._stopping.set()
        if self._acquisition is not None:
            self._acquisition.stop()
        if self._thread.ident is not None and self._thread is not threading.current_thread():
            self._thread.join(2.0)

    def teach(self, what: Callable[[Analyser], Message | None]) -> Message | None:
        """Let `what` work on the analyser between two steps of the analysis."""
        with self._lock:
            return what(self._analyser) if self._analyser else messages.TEACH_NEEDS_READING

    def view(self) -> View:
        """Return a snapshot."""
        acquisition, info = self._acquisition, self._info
        if acquisition is None:
            phase = Phase.FAILED if self._failure else Phase.OPENING
            return View(phase=phase, message=self._failure, source=self._address)
        status = acquisition.status()
        phase = Phase(status.state.value)
        failure = status.message
        if self._failure:
            phase, failure = Phase.FAILED, self._failure
        now_s = time.monotonic()
        with self._lock:
            reading = self._shown(phase, now_s)
            strip = np.array(self._strip, dtype=np.float64).reshape(-1, 2)
            analyser = self._analyser
            trace = analyser.trace if analyser else None
            locked = analyser.locked if analyser else False
            teaching = analyser.teaching if analyser else False
            at_s, missed = self._reading_at_s, self._missed
        return View(
            phase=phase,
            message=failure,
            source=self._address,
            virtual=info.virtual if info else False,
            roles=tuple(info.roles) if info else (),
            sample_rate_hz=info.sample_rate_hz if info else 0.0,
            reading=reading,
            reading_at_s=at_s,
            trace=trace,
            locked=locked,
            levels=_levels(status, info),
            strip_s=strip[:, 0].copy(),
            strip_balance=strip[:, 1].copy(),
            frames=status.frames,
            lost_frames=status.lost_frames + missed,
            advice=_advice(status, info, phase),
            notes=info.notes if info else (),
            teaching=teaching,
        )

    def _shown(self, phase: Phase, now_s: float) -> Reading | None:
        """Return the newest reading, parked when it is older than may be shown."""
        reading = self._reading
        stale = now_s - self._reading_at_s > STALE_AFTER_S
        if reading is None or not reading.valid or phase is Phase.ENDED or not stale:
            return reading
        return invalid(reading, messages.STALE)

    # -- the analysis thread -------------------------------------------------------------------

    def _work(self) -> None:
        if self._after is not None:
            self._after.stop()
            self._after = None
        if self._stopping.is_set():
            return
        try:
            source = self._make_source()
        except SourceError as fault:
            self._failure = str(fault)
            return
        self._open(source)

    def _open(self, source: Source) -> None:
        acquisition = Acquisition(source, ring_seconds=_RING_S, backpressure=True)
        self._acquisition = acquisition
        acquisition.start()
        try:
            ring = None
            while ring is None and not self._stopping.is_set():
                ring = acquisition.wait_for_ring(_WAIT_S)
                if ring is None and acquisition.status().state in (State.FAILED, State.CLOSED):
                    return
            if ring is not None:
                self._analyse(acquisition, ring, source)
        except Exception as fault:
            self._failure = (
                f"the analysis ended by a fault in the program ({type(fault).__name__}: {fault}); "
                "open the source again, and report the fault if it returns"
            )
            raise
        finally:
            if self._stopping.is_set():
                acquisition.stop()

    def _analyse(self, acquisition: Acquisition, ring: Ring, source: Source) -> None:
        info = source.info
        self._info = info
        self.controls = getattr(source, "controls", None)
        analyser = analyser_for(info, self._profile, self._options, keep_all=False)
        with self._lock:
            self._analyser = analyser
        paced = not info.live
        begun_s = time.monotonic()
        step = max(1, round(_STEP_S * info.sample_rate_hz))
        most = max(step, round(_LONGEST_STEP_S * info.sample_rate_hz))
        at = 0
        while not self._stopping.is_set():
            ended = ring.closed
            if not ring.wait_beyond(at if ended else at + step - 1, _WAIT_S):
                if ended:
                    break
                continue
            if paced and self._ahead(begun_s, at, info.sample_rate_hz):
                continue
            chunk = ring.copy_since(at, step if paced else most)
            at = chunk.end_index
            ring.release(at)
            taken_s = self._clock_of(acquisition, begun_s if paced else None, info)
            self._feed(analyser, chunk, taken_s)
            if chunk.overrun:
                self._missed += chunk.lost_frames

    def _ahead(self, begun_s: float, at: int, rate_hz: float) -> bool:
        """Keep a capture to real time: wait, and say whether it is still too early."""
        early_s = begun_s + at / rate_hz - time.monotonic()
        return early_s > 0.0 and (self._stopping.wait(min(early_s, _WAIT_S)) or early_s > _WAIT_S)

    @staticmethod
    def _clock_of(
        acquisition: Acquisition, begun_s: float | None, info: SourceInfo
    ) -> Callable[[int], float]:
        if begun_s is None:
            return acquisition.time_of
        return lambda index: begun_s + index / info.sample_rate_hz

    def _feed(
        self,
        analyser: Analyser,
        chunk: Chunk,
        time_of: Callable[[int], float],
    ) -> None:
        with self._lock:
            if not analyser.push(chunk.samples_v, chunk.first_index, gap_before=chunk.gap_before):
                return
            reading = analyser.reading
            self._reading = reading
            self._reading_at_s = time_of(reading.end_index)
            balance = reading.balance.value if reading.balance is not None else np.nan
            self._strip.append((self._reading_at_s, balance))
            while self._strip[0][0] < self._reading_at_s - _STRIP_S:
                self._strip.popleft()


def _levels(status: Status, info: SourceInfo | None) -> tuple[Level, ...]:
    if info is None:
        return ()
    full_v = info.full_scale_v
    return tuple(
        Level(
            role=role,
            peak_v=level.peak_v,
            of_full_scale=level.peak_v / full_v if full_v else None,
            clipped=level.clipped,
        )
        for role, level in zip(info.roles, status.levels, strict=False)
    )


def _advice(status: Status, info: SourceInfo | None, phase: Phase) -> tuple[Message, ...]:
    signals = [level for level in _levels(status, info) if level.role != Role.INDEX]
    if phase is not Phase.RUNNING or not signals or status.frames == 0:
        return ()
    if all(level.peak_v == 0.0 for level in signals):
        return (NO_LEVEL,)
    low = all(
        level.of_full_scale < _LOW_PART if level.of_full_scale is not None else level.peak_v < _LOW_V
        for level in signals
    )
    return (LOW_LEVEL,) if low else ()
