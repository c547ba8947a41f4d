"""The analyser of one source, between the thread that feeds it and whoever teaches it.

Threads: the *analysis* thread (see :mod:`app.live.session`) begins it and pushes; whoever teaches
does so between two pushes. Each holds the lock for as long as it works on the analyser, and
publishes to :class:`~app.live.view.Newest` what came of that. ``begun`` waits for nobody.

Measurements that are asked for while the needle goes on, one at a time.

Threads: whoever asks calls :meth:`Measurements.take`, ``cancel`` and ``taken``; the analysis thread
alone feeds what was asked for, and writes what is published, :attr:`Measuring.taken`, each time as
a new frozen value.

One source that runs: its acquisition, its analysis, and what they have found so far.

Threads: the *acquisition* thread (see :mod:`app.stream.acquisition`) fills the ring. The
*analysis* thread, one for each :class:`Run`, takes copies from the ring and alone feeds the
analyser (see :mod:`app.live.session`) and the measurement in hand. Any thread may call the
public methods.

One open source at a time, its analysis, and the newest result.

Threads: the methods are for the caller's thread (the window's or the terminal's); they return at
once, :meth:`Session.close` within two seconds. The work is done in the threads of
:mod:`app.live.session`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from app.analysis import messages
from app.analysis.results import Measurand, Measurement, Message, Side
from app.live.measurement import AnyAnalyser, EnvelopeOptions, Gauge, analyser_for
from app.live.view import Controls, Listed, Listing, Newest, Phase, View, view_of
from app.profiles import Profile
from app.stream.acquisition import Acquisition, Marks, State
from app.stream.ring import Chunk, Ring
from instruments.address import attached_sources, open_address
from instruments.source import Source, SourceError, SourceInfo, SourceRequest, parse_roles


class Analysing:
    """An analysis under way.

    Parameters
    ----------
    newest : Newest
        Where it publishes what it finds.
    """

    def __init__(self, newest: Newest) -> None:
        self._newest = newest
        self._lock = threading.Lock()
        # Written by the analysis thread only, under the lock, and never taken back:
        self._analyser: AnyAnalyser | None = None

    @property
    def begun(self) -> bool:
        """Whether there is an analyser: what was asked for fits the source."""
        return self._analyser is not None

    def begin(self, analyser: AnyAnalyser) -> None:
        """Let it work with `analyser` from now on."""
        with self._lock:
            self._analyser = analyser

    def push(self, chunk: Chunk, marks: Marks, time_of: Callable[[int], float]) -> None:
        """Analyse the next samples; `time_of` tells the monotonic time of a frame."""
        with self._lock:
            analyser = self._analyser
            assert analyser is not None
            news = analyser.push(
                chunk.samples_v,
                chunk.first_index,
                gap_before=chunk.gap_before,
                at_index=marks.at_index,
                clipped=marks.clipped,
                extremes=marks.extremes,
            )
            changes: dict[str, Any] = {"locked": analyser.locked, "teaching": analyser.teaching}
            if chunk.overrun:
                self._newest.miss(chunk.lost_frames)
            if news:
                changes["reading"] = analyser.reading
                changes["reading_at_s"] = time_of(analyser.reading.end_index)
                changes["trace"] = analyser.trace
            self._newest.publish(**changes)

    def teach(self, what: Callable[[AnyAnalyser], Message | None]) -> Message | None:
        """Let `what` work on the analyser; returns what is missing where it could not."""
        with self._lock:
            if self._analyser is None:
                return messages.TEACH_NEEDS_READING
            missing = what(self._analyser)
            self._newest.publish(teaching=self._analyser.teaching)
        return missing


_MARGIN_S = 0.05
"""From the request to the first frame that counts: the block under way tells of before it."""

_NO_MORE = {
    State.LOST: "the source went away while it was measured; see to its cable, and measure again",
    State.ENDED: "the capture came to its end while it was measured; open a live source",
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be measured: see :class:`~app.live.measurement.Gauge`."""

    measurand: Measurand
    turns: int = 10
    track: int | None = None
    side: int = 0


@dataclass(frozen=True, slots=True)
class Taken:
    """How far a measurement has come.

    Attributes
    ----------
    part : float
        How much of what is needed has been collected, 0 to 1.
    measurement : Measurement or None
        What came of it, once it is done.
    fault : str
        Why it was given up; empty when it was not.
    settings : tuple of (str, str)
        The instrument's settings while it was taken.
    """

    part: float = 0.0
    measurement: Measurement | None = None
    fault: str = ""
    settings: tuple[tuple[str, str], ...] = ()


class Measuring:
    """One measurement, from the request to what came of it.

    Parameters
    ----------
    wanted : Wanted
        What is to be measured.
    asked_s : float
        Monotonic time of the request: only frames taken after it count.
    """

    def __init__(self, wanted: Wanted, asked_s: float) -> None:
        self._wanted = wanted
        self._from_s = asked_s + _MARGIN_S
        self._cancelled = threading.Event()
        # Written by the analysis thread only:
        self._gauge: Gauge | None = None
        self.taken = Taken()

    @property
    def ended(self) -> bool:
        """Whether nothing more will come of it."""
        taken = self.taken
        done = taken.measurement is not None or bool(taken.fault)
        return done or self._cancelled.is_set()

    def cancel(self) -> None:
        """Let it go; nothing comes of it any more."""
        self._cancelled.set()

    def give_up(self, why: str) -> None:
        """End it without a measurement."""
        if not self.ended:
            self.taken = replace(self.taken, fault=why)

    def push(
        self,
        chunk: Chunk,
        marks: Marks,
        at_s: float,
        info: SourceInfo,
        profile: Profile,
        options: EnvelopeOptions,
        settings: tuple[tuple[str, str], ...],
    ) -> None:
        """Take the next samples, whose first frame was taken at `at_s`."""
        if self.ended or at_s < self._from_s:
            return
        try:
            gauge = self._gauge or self._begin(info, profile, options)
            gauge.push(
                chunk.samples_v,
                chunk.first_index,
                gap_before=chunk.gap_before,
                at_index=marks.at_index,
                clipped=marks.clipped,
                extremes=marks.extremes,
            )
            found = gauge.finish() if gauge.done else None
        except SourceError as fault:
            self.give_up(str(fault))
            return
        self.taken = Taken(gauge.part, found, settings=settings)

    def _begin(self, info: SourceInfo, profile: Profile, options: EnvelopeOptions) -> Gauge:
        wanted = self._wanted
        self._gauge = Gauge(
            wanted.measurand,
            info,
            profile,
            options,
            turns=wanted.turns,
            track=wanted.track,
            side=wanted.side,
        )
        return self._gauge


class Measurements:
    """The measurement in hand of one source, where there is one.

    Parameters
    ----------
    profile : Profile
        Disk and limits.
    """

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        # Written by whoever asks:
        self._measuring: Measuring | None = None

    def take(self, wanted: Wanted, now_s: float) -> None:
        """Begin a measurement, in place of one under way."""
        self.cancel()
        self._measuring = Measuring(wanted, now_s)

    def cancel(self) -> None:
        """Let go of a measurement under way, or of what came of it."""
        measuring, self._measuring = self._measuring, None
        if measuring is not None:
            measuring.cancel()

    def taken(self, failure: str) -> Taken | None:
        """Return how far it has come, None where none was asked for.

        Parameters
        ----------
        failure : str
            Why the source cannot be read, empty where it can.
        """
        measuring = self._measuring
        if measuring is None:
            return None
        taken = measuring.taken
        return Taken(fault=failure) if failure and taken.measurement is None else taken

    def push(
        self,
        chunk: Chunk,
        marks: Marks,
        at_s: float,
        source: Source,
        options: EnvelopeOptions,
    ) -> None:
        """Take the next samples of a source, whose first frame was taken at `at_s`."""
        measuring = self._measuring
        if measuring is not None:
            measuring.push(chunk, marks, at_s, source.info, self._profile, options, source.settings)

    def look_after(self, state: State) -> None:
        """Give up what can come to nothing: no samples have come for a while."""
        measuring, why = self._measuring, _NO_MORE.get(state)
        if measuring is not None and why is not None:
            measuring.give_up(why)


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
            settings=self._source.settings if self._source is not None else (),
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
        self._controls = source.controls
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


Opener = Callable[[str, SourceRequest], Source]
"""Returns the source behind an address, not yet open; raises a SourceError."""


class Session:
    """Opens a source, runs the analysis, holds the newest view.

    Parameters
    ----------
    profile : Profile
        Disk and limits.
    options : EnvelopeOptions, optional
        What is stated about an envelope column. The first source opened must have one then; in
        later ones, which the user may choose for practice, it counts where there is one.
    opener : callable, optional
        From an address to a source.
    """

    def __init__(
        self,
        profile: Profile,
        options: EnvelopeOptions | None = None,
        opener: Opener = open_address,
    ) -> None:
        self.profile = profile
        self._options = options or EnvelopeOptions()
        self._opener = opener
        self._run: Run | None = None
        self._opened: tuple[str, str | None] | None = None
        self._is_first = True

    def open(self, address: str, roles: str | None = None) -> None:
        """Close what is open and open `address` in the background; :meth:`view` tells the rest.

        Parameters
        ----------
        address : str
            For example ``sim:``.
        roles : str or None
            As ``--roles`` has them; None leaves them to the source.
        """
        run = Run(
            address,
            partial(_make, self._opener, address, roles),
            self.profile,
            self._options,
            strict=self._is_first,
        )
        self._is_first, self._opened = False, (address, roles)
        before, self._run = self._run, run
        run.start(before)

    def use(self, profile: Profile) -> None:
        """Measure by another class of drive from now on; what is open is opened again."""
        self.profile = profile
        if self._run is not None and self._opened is not None:
            self.open(*self._opened)

    def close(self) -> None:
        """Stop all threads; done within two seconds. May be called again."""
        run, self._run = self._run, None
        if run is not None:
            run.stop()

    def view(self) -> View:
        """Return the newest snapshot."""
        return self._run.view() if self._run is not None else View()

    @property
    def error(self) -> Exception | None:
        """What made the source fail: a SourceError, or the exception of a fault in the program."""
        return self._run.error if self._run is not None else None

    @property
    def controls(self) -> Controls | None:
        """The virtual drive's controls, when that is the source."""
        return self._run.controls if self._run is not None else None

    def take(
        self, measurand: Measurand, turns: int = 10, track: int | None = None, side: int = 0
    ) -> None:
        """Begin a measurement beside the live needle, in place of one under way.

        Only what is sampled after this call counts. :meth:`taken` tells how far it has come.

        Parameters
        ----------
        measurand : Measurand
            What is to be found.
        turns : int
            Whole turns wanted.
        track, side : int or None, int
            Where the head stands, as far as that is known.
        """
        if self._run is not None:
            wanted = Wanted(measurand, turns, track, side)
            self._run.measurements.take(wanted, time.monotonic())

    def taken(self) -> Taken | None:
        """Return how far the measurement has come, None where none was asked for."""
        return self._run.taken() if self._run is not None else None

    def cancel_take(self) -> None:
        """Let go of a measurement under way, or of what came of it."""
        if self._run is not None:
            self._run.measurements.cancel()

    def begin_teaching(self) -> Message | None:
        """Remember the balance now; the person then nudges outward and calls :meth:`teach`.

        Returns what is missing when nothing can be remembered.
        """
        return self._teach(lambda analyser: analyser.begin_teaching())

    def teach(self, side: Side) -> Message | None:
        """Learn the sign from the change since :meth:`begin_teaching`.

        Parameters
        ----------
        side : Side
            Where the head has gone since.

        Returns
        -------
        Message or None
            What to do when nothing could be learned.
        """
        return self._teach(lambda analyser: analyser.teach(side))

    def cancel_teaching(self) -> None:
        """Forget a teaching under way."""
        self._teach(_forget_teaching)

    def listed(self) -> Listing:
        """Return what can be opened now.

        May take three seconds: call it from a worker.
        """
        found = attached_sources()
        return Listing(
            tuple(Listed(address, title) for address, title in found.sources), found.hints
        )

    def _teach(self, what: Callable[[AnyAnalyser], Message | None]) -> Message | None:
        return self._run.analysing.teach(what) if self._run is not None else None


def _make(opener: Opener, address: str, roles: str | None) -> Source:
    wanted = parse_roles(roles) if roles is not None else None
    return opener(address, SourceRequest(roles=wanted))


def _forget_teaching(analyser: AnyAnalyser) -> None:
    analyser.cancel_teaching()
