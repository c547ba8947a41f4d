"""One open source at a time: its analysis, a measurement beside it, and what screens see of both.

Threads: the methods of :class:`Session` are for the caller's thread (the window's or the
terminal's); they return at once, :meth:`Session.close` within two seconds. For each source that is
opened there are two more. The *acquisition* thread (see :mod:`app.stream.acquisition`) fills the
ring. The *analysis* thread takes blocks from the ring and alone feeds the analyser and the
measurement in hand. Whoever teaches works on the analyser between two blocks; both hold the lock
for as long.
"""

from __future__ import annotations

import math
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from app.analysis import messages
from app.analysis.messages import fill
from app.analysis.results import Message, Side
from app.faults import words_for
from app.job.origin import Origin
from app.live.capture_play import CapturePlay
from app.live.loop_check import SilentPlayer
from app.live.measurement import (
    AnyAnalyser,
    EnvelopeOptions,
    MeasurementProgress,
    MeasurementRequest,
    MeasurementRun,
    analyser_for,
    measure,
    origin_of,
)
from app.live.past import KEPT_S, Past
from app.live.proving import prove, recheck, recheck_words, resolution_of
from app.live.view import FAULT, Controls, Listed, Listing, Newest, View
from app.profiles import Profile
from app.stream.acquisition import Acquisition, Phase
from app.stream.ring import Ring
from instruments.address import attached_sources, open_address
from instruments.file.writer import CaptureWriter
from instruments.proof import InputProof
from instruments.source import (
    Block,
    Source,
    SourceEnd,
    SourceError,
    SourceInfo,
    SourceRequest,
    SourceUnavailable,
    parse_roles,
)

_MARGIN_S = 0.05
"""From the request to the first frame that counts: the block under way tells of before it."""
_NO_MORE = {
    Phase.LOST: "the source went away while it was measured; see to its cable, and measure again",
    Phase.ENDED: "the capture came to its end while it was measured; open a live source",
}
_RING_S = 4.0
_BEHIND_S = 1.0
"""An analysis that is so far behind a live source goes on with the newest: a hand is waiting."""
_STEP_S = 0.02
"""Of samples to the analysis at once: each time costs as much as the samples of some 10 ms."""
_LONGEST_STEP_S = 0.1
_WAIT_S = 0.1
_LOST_S = 0.1
"""Samples after a pause that were taken so much later than those before it follow on a loss; of a
computer that was busy elsewhere they come late, and all of them."""
_STOP_WITHIN_S = 2.0
_READ_AGAIN_S = KEPT_S
"""What of a capture can be looked back at, is read again as a whole."""


OpenPlayer = Callable[[str, int], SilentPlayer]
"""Opens a sound output by its name, at so many frames a second."""


@dataclass(frozen=True, slots=True)
class Rechecked:
    """What came of a look whether a check of the input holds.

    ``moved`` says what did, and ``fault`` why it could not be looked at; both are empty where all
    holds.
    """

    moved: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Proved:
    """What came of measuring an input by test tones: what is kept of it, or why nothing is."""

    proof: InputProof | None = None
    fault: str = ""

    @property
    def corner(self) -> tuple[float, float] | None:
        """Low corner of the probe and twice its standard uncertainty, Hz; None where none is."""
        law = self.proof.detector if self.proof is not None else None
        return (law.corner_hz, 2.0 * law.corner_u_hz) if law is not None and law.corner_hz else None


@dataclass(frozen=True, slots=True)
class OpenedAs:
    """By what the blocks of an open source are read: one object from opening to closing."""

    info: SourceInfo
    profile: Profile
    options: EnvelopeOptions


Tap = Callable[[Block, OpenedAs], None]
"""Takes each block that the analysis is given, in its thread; returns at once and never raises."""


class _Run:
    """A source from opening to closing, and its analysis. Used once.

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
    tap : Tap
        Takes each block, too.
    """

    def __init__(
        self,
        address: str,
        make_source: Callable[[], Source],
        profile: Profile,
        options: EnvelopeOptions,
        *,
        strict: bool,
        tap: Tap,
    ) -> None:
        self._address = address
        self._make_source = make_source
        self._profile = profile
        self._options = options
        self._strict = strict
        self._tap = tap
        # Set by whoever stops:
        self._stopping = threading.Event()
        # Written by whoever starts:
        self._thread: threading.Thread | None = None
        # Written by whoever asks for a measurement:
        self._measuring: MeasurementRun | None = None
        # Written by the analysis thread only, each at once and never taken back:
        self._acquisition: Acquisition | None = None
        self._source: Source | None = None
        self._analyser: AnyAnalyser | None = None
        self._resolution: tuple[str, ...] = ()
        self._failure = ""
        self._error: Exception | None = None
        self._finished = False
        # Held by whoever works on the analyser:
        self._lock = threading.Lock()
        self._newest = Newest()
        self.past = Past(60.0 / profile.speed_rpm)
        self.play = CapturePlay()

    @property
    def controls(self) -> Controls | None:
        """The hands at the virtual drive, when that is the source."""
        if self._source is None or self._analyser is None:
            return None
        return self._source.controls

    @property
    def finished(self) -> bool:
        """Whether all that the source gives has been looked through."""
        return self._finished

    @property
    def error(self) -> Exception | None:
        """What made it fail: a SourceError, or the exception of a fault in the program."""
        acquisition = self._acquisition
        return self._error or (acquisition.error if acquisition is not None else None)

    @property
    def info(self) -> SourceInfo | None:
        """What is known of the source, None before it has been open."""
        return None if self._source is None or self._analyser is None else self._source.info

    def start(self, after: _Run | None) -> None:
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

    def measure(self, request: MeasurementRequest) -> None:
        """Begin a measurement, in place of one under way."""
        from_s = time.monotonic() + _MARGIN_S
        self._measuring = MeasurementRun(request, self._profile, self._options, from_s)

    def cancel_measurement(self) -> None:
        """Cancel the measurement under way, or forget its result."""
        self._measuring = None

    def progress(self) -> MeasurementProgress | None:
        """Return how far the measurement has come, None where none was asked for."""
        measuring, finished = self._measuring, self._finished
        if measuring is None:
            return None
        progress, failure = measuring.progress, self._failure
        if not failure and self._acquisition is not None:
            status = self._acquisition.status()
            failure = status.message if status.phase is Phase.FAILED else ""
        if finished and not (failure or progress.fault):
            # Asked for when there was nothing more to come.
            failure = _NO_MORE[Phase.ENDED]
        if failure and progress.measurement is None:
            return MeasurementProgress(fault=failure)
        return progress

    def origin(self) -> Origin | None:
        """Return where what is read comes from, None before the source has been open."""
        source, acquisition = self._source, self._acquisition
        if source is None or acquisition is None or acquisition.status().info is None:
            return None
        return origin_of(source, self._profile)

    @property
    def proof(self) -> InputProof | None:
        """What is kept of the open input."""
        return None if self.info is None else self.info.proof

    def teach(self, what: Callable[[AnyAnalyser], Message | None]) -> Message | None:
        """Let `what` work on the analyser; returns what is missing where it could not."""
        with self._lock:
            if self._analyser is None:
                return messages.TEACH_NEEDS_READING
            missing = what(self._analyser)
            self._newest.publish(locked=self._analyser.locked, teaching=self._analyser.teaching)
        return missing

    def view(self) -> View:
        """Return a snapshot."""
        acquisition, finished, failure = self._acquisition, self._finished, self._failure
        if acquisition is None:
            phase = Phase.FAILED if failure else Phase.OPENING
            return View(phase=phase, message=failure, source=self._address)
        status = acquisition.status()
        info = status.info
        phase = Phase.FAILED if failure else status.phase
        if phase is Phase.ENDED and not finished:
            # The capture has been read to its end, but not yet looked through.
            phase = Phase.RUNNING
        if self._analyser is None and phase in (Phase.RUNNING, Phase.ENDED):
            # It may yet turn out that what was asked for does not fit the source.
            phase, info = Phase.OPENING, None
        begun = View(
            phase=phase,
            message=failure or status.message,
            source=self._address,
            settings=self._source.settings if self._source is not None else (),
            notes=self._resolution,
        )
        # While a capture stands still its time does, too.
        now_s = time.monotonic()
        stood_s = self.play.stood_s(now_s)
        view = self._newest.view(begun, status, info, now_s - stood_s)
        if not self.play.paused:
            return view
        assert view.strip_s is not None
        return replace(
            view,
            paused=True,
            reading_at_s=view.reading_at_s + stood_s,
            analysed=tuple((each, at_s + stood_s) for each, at_s in view.analysed),
            strip_s=view.strip_s + stood_s,
        )

    # -- the analysis thread -------------------------------------------------------------------

    def _work(self, after: _Run | None) -> None:
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
            words = f"the source could not be opened by a fault in the program ({words_for(fault)})"
            self._fail(fault, words)

    def _fail(self, fault: Exception, words: str) -> None:
        self._error = fault
        self._failure = words

    def _go_through(self, source: Source) -> None:
        acquisition = Acquisition(source, ring_seconds=_RING_S, backpressure=True)
        self._source = source
        self._acquisition = acquisition
        acquisition.start()
        try:
            ring = None
            while ring is None and not self._stopping.is_set():
                ring = acquisition.wait_for_ring(_WAIT_S)
                if ring is None and acquisition.status().phase in (Phase.FAILED, Phase.CLOSED):
                    return
            if ring is not None:
                self._analyse(acquisition, ring, source)
                self._finished = True
        finally:
            acquisition.stop()
        if self._finished and _is_read_again(source.info):
            self._read_again(source.info)

    def _read_again(self, info: SourceInfo) -> None:
        """Read a capture that has ended once more, over all its turns as “measure” does.

        What comes of it takes the place of the last turn's reading where it is one. A side that was
        taught is of the turns before and after the teaching, and not of all.
        """
        assert self._analyser is not None
        if self._analyser.taught is not None:
            return

        def look(done_s: float, wanted_s: float | None) -> None:
            del done_s, wanted_s
            if self._stopping.is_set():
                raise SourceEnd("it is closed")

        options = self._options if self._strict else self._options.where_fitting(info)
        try:
            found = measure(self._make_source(), self._profile, options, None, look).reading
        except SourceError:
            return  # as it was; what is wrong is told when it is opened again
        except Exception as fault:
            words_for(fault)  # kept for a report; the last turn's reading stands
            return
        if found.valid:
            self._newest.publish_whole(found)

    def _analyse(self, acquisition: Acquisition, ring: Ring, source: Source) -> None:
        info = source.info
        options = self._options if self._strict else self._options.where_fitting(info)
        resolution = resolution_of(info, self._profile)
        self._resolution = () if resolution is None else (str(resolution),)
        make = partial(analyser_for, info, self._profile, options, keep_all=False)
        self._analyser = make()
        heard = OpenedAs(info, self._profile, options)
        step, most = _stride(info)
        end_s = math.inf
        while not self._stopping.is_set():
            closed = ring.closed
            if info.live and ring.waiting_frames > _BEHIND_S * info.sample_rate_hz:
                ring.skip(step)
            block = ring.take(most) if ring.wait_for(step, _WAIT_S) else None
            if block is not None:
                due_s = block.time_of(block.end_index)
                if info.live or self.play.wait_for(due_s, self._stopping):
                    # What lies between two records is missed by all.
                    missed = ring.missed_frames if info.live and info.continuous else 0
                    paused = self._newest.count(block, missed, time.monotonic())
                    late_s = block.t0_s - end_s
                    if paused and info.live and info.continuous and late_s > _LOST_S:
                        # A pipe cannot say what its writer had no room for, nor a sound server
                        # what went by while the machine slept.
                        block = replace(block, gap_before=True)
                    end_s = block.time_of(block.end_index)
                    self.past.take(block)
                    self._go_on_with(block, source, make, heard)
                continue
            measuring, why = self._measuring, _NO_MORE.get(acquisition.status().phase)
            if measuring is not None and why is not None:
                measuring.give_up(why)
            if closed:
                return

    def _go_on_with(
        self, block: Block, source: Source, make: Callable[[], AnyAnalyser], heard: OpenedAs
    ) -> None:
        """Give a block to the analysis and the measurement, whatever becomes of either."""
        # What is past of a capture has its own time; all else goes by when it is played.
        played = replace(block, t0_s=block.t0_s + self.play.behind_s)
        self._tap(played, heard)
        if not source.info.continuous:
            self._newest.count_record(time.monotonic())
        with self._lock:
            assert self._analyser is not None
            try:
                self._analyse_block(block, self._analyser)
            except Exception as fault:
                # A needle that stands still helps nobody: told, kept, and begun anew.
                self._newest.publish_fault(fill(FAULT, words_for(fault)), played.t0_s)
                self._analyser = make()
            taught = self._analyser.taught
        measuring = self._measuring
        if measuring is not None:
            try:
                measuring.push(played, source, taught)
            except SourceError as fault:
                measuring.give_up(str(fault))
            except Exception as fault:
                measuring.give_up(str(fill(FAULT, words_for(fault))))

    def _analyse_block(self, block: Block, analyser: AnyAnalyser) -> None:
        if analyser.push(block):
            reading = analyser.reading
            at_s = block.time_of(reading.end_index) + self.play.behind_s
            self._newest.publish_reading(reading, at_s, analyser.trace)
        if analyser.trace is not None:
            self.past.add(analyser.trace, block)
        self._newest.publish(
            locked=analyser.locked, teaching=analyser.teaching, moving=analyser.moving
        )


def _is_read_again(info: SourceInfo) -> bool:
    """Tell whether a source is a capture, and short enough that to read it again is worth it."""
    frames = info.length_frames
    return frames is not None and frames <= _READ_AGAIN_S * info.sample_rate_hz


def _stride(info: SourceInfo) -> tuple[int, int]:
    """Return how many frames are waited for, and how many are taken at the most."""
    if not info.continuous:
        # A record comes whole and is taken whole; a gap follows it.
        return 1, sys.maxsize
    step = max(1, round(_STEP_S * info.sample_rate_hz))
    return step, max(step, round(_LONGEST_STEP_S * info.sample_rate_hz)) if info.live else step


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

    Attributes
    ----------
    tap : Tap or None
        Takes each block that the analysis is given, too; may be set while a source is open.
    """

    def __init__(
        self,
        profile: Profile,
        options: EnvelopeOptions | None = None,
        opener: Opener = open_address,
    ) -> None:
        self.profile = profile
        self.tap: Tap | None = None
        self._options = options or EnvelopeOptions()
        self._opener = opener
        self._run: _Run | None = None
        self._opened: tuple[str, str | None, EnvelopeOptions | None] | None = None
        self._is_first = True

    def open(
        self, address: str, roles: str | None = None, options: EnvelopeOptions | None = None
    ) -> None:
        """Close what is open and open `address` in the background; :meth:`view` tells the rest.

        Parameters
        ----------
        address : str
            For example ``sim:``.
        roles : str or None
            As ``--roles`` has them; None leaves them to the source.
        options : EnvelopeOptions or None
            What is stated about this source's envelope, which it must have then; None leaves it at
            what the session began with.
        """
        run = _Run(
            address,
            partial(_make, self._opener, address, roles),
            self.profile,
            self._options if options is None else options,
            strict=self._is_first or options is not None,
            tap=self._hand_on,
        )
        self._is_first, self._opened = False, (address, roles, options)
        before, self._run = self._run, run
        run.start(before)

    def use(self, profile: Profile) -> None:
        """Measure by another class of drive from now on; what is open is opened again."""
        self.profile = profile
        if self._run is not None:
            self.reopen()

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

    @property
    def play(self) -> CapturePlay | None:
        """How the capture that is open is played, None where that is no capture or at its end."""
        run = self._run
        if run is None or run.info is None or run.info.length_frames is None or run.finished:
            return None
        return run.play

    @property
    def past(self) -> Past | None:
        """What has been seen of the open source, None where none is open."""
        return self._run.past if self._run is not None else None

    def write_samples(self, path: Path, blocks: Sequence[Block]) -> None:
        """Write samples of the open source as a capture, which reads back by its roles.

        Raises
        ------
        OSError
            When they cannot be written there, or are pairs of extremes.
        """
        info = self._run.info if self._run is not None else None
        if info is None:
            raise OSError("no source is open; open it again first")
        try:
            with CaptureWriter(path, info, overwrite=True) as writer:
                for block in blocks:
                    writer.write(block)
        except SourceUnavailable as fault:
            raise OSError(str(fault)) from None

    @property
    def recheck_words(self) -> str:
        """What is to be done before a check of the open input is looked at; empty without one."""
        proof = None if self._run is None else self._run.proof
        return "" if proof is None else recheck_words(proof)

    def recheck(
        self, open_player: OpenPlayer, tell: Callable[[str], None]
    ) -> Callable[[], Rechecked]:
        """Close what is open; return the work that looks whether a check of that input holds.

        The work takes ten seconds and is for a thread of its own; :meth:`reopen` follows it.
        """
        make, profile = self._let_go(fresh=False), self.profile

        def work() -> Rechecked:
            try:
                return Rechecked(_rechecked(make(), open_player, profile, tell))
            except SourceError as fault:
                return Rechecked(fault=str(fault))

        return work

    def prove(
        self, open_player: OpenPlayer, output: str, at_most: float, tell: Callable[[str], None]
    ) -> Callable[[], Proved]:
        """Close what is open; return the work that measures that input, and the probe before it.

        The work takes a minute and is for a thread of its own; :meth:`reopen` follows it.

        Parameters
        ----------
        output : str
            The sound output that plays.
        at_most : float
            Highest peak to be played, as a part of the output's full scale.
        """
        make, profile = self._let_go(fresh=True), self.profile

        def work() -> Proved:
            try:
                source = make()
                source.open()
                try:
                    player = open_player(output, round(source.info.sample_rate_hz))
                    try:
                        by = partial(prove, source, player, profile, tell)
                        return Proved(by(output=output, at_most=at_most))
                    finally:
                        player.close()
                finally:
                    source.close()
            except SourceError as fault:
                return Proved(fault=str(fault))

        return work

    def _let_go(self, *, fresh: bool) -> Callable[[], Source]:
        """Let what is open close; return what makes it anew, once it has, for another thread."""
        run, self._run = self._run, None
        assert run is not None
        assert self._opened is not None
        address, roles, _ = self._opened
        run.ask_to_stop()

        def make() -> Source:
            run.stop()
            return _make(self._opener, address, roles, fresh=fresh)

        return make

    def reopen(self) -> None:
        """Open again what was open last."""
        if self._opened is not None:
            self.open(*self._opened)

    def measure(self, request: MeasurementRequest) -> None:
        """Begin a measurement beside the live needle, in place of one under way.

        Only what is sampled after this call counts. :meth:`progress` tells how far it has come.
        """
        if self._run is not None:
            self._run.measure(request)

    def progress(self) -> MeasurementProgress | None:
        """Return how far the measurement has come, None where none was asked for."""
        return self._run.progress() if self._run is not None else None

    def origin(self) -> Origin | None:
        """Return where what is read comes from, None before a source has been open."""
        return self._run.origin() if self._run is not None else None

    def cancel_measurement(self) -> None:
        """Cancel the measurement under way, or forget its result."""
        if self._run is not None:
            self._run.cancel_measurement()

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

    def listed(self, *, anew: bool = False) -> Listing:
        """Return what can be opened now; unless `anew`, of the last minute for some of it.

        May take three seconds: call it from a worker.
        """
        found = attached_sources(anew=anew)
        return Listing(
            tuple(Listed(address, title) for address, title in found.sources), found.hints
        )

    def _hand_on(self, block: Block, heard: OpenedAs) -> None:
        if self.tap is not None:
            self.tap(block, heard)

    def _teach(self, what: Callable[[AnyAnalyser], Message | None]) -> Message | None:
        return self._run.teach(what) if self._run is not None else None


def _rechecked(
    source: Source, open_player: OpenPlayer, profile: Profile, tell: Callable[[str], None]
) -> str:
    source.open()
    try:
        proof = source.info.proof
        if proof is None:
            return "nothing is kept of this input any more"
        player = open_player(proof.output, round(source.info.sample_rate_hz))
        try:
            return recheck(source, player, profile, tell)
        finally:
            player.close()
    finally:
        source.close()


def _make(opener: Opener, address: str, roles: str | None, *, fresh: bool = False) -> Source:
    wanted = parse_roles(roles) if roles is not None else None
    return opener(address, SourceRequest(roles=wanted, fresh=fresh))


def _forget_teaching(analyser: AnyAnalyser) -> None:
    analyser.cancel_teaching()
