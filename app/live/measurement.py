"""One measurement: what is asked for, how far it has come, and its result.

:func:`measure` reads a source from its beginning to its end or for some seconds, without threads.
:class:`MeasurementRun` measures beside whatever else is done with the blocks: the session feeds it
next to the live needle, the job without a window from a source that it reads itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil, inf

import numpy as np

from app.analysis import messages
from app.analysis.envelope.setup import Columns, KnownLaw, Setup, StatedWindow
from app.analysis.lobes.analyser import Analyser
from app.analysis.lobes.speed import speed_over
from app.analysis.lobes.sweeps import SweepAnalyser
from app.analysis.lobes.tracking import Taught
from app.analysis.lobes.turns import index_turns
from app.analysis.results import (
    AzimuthFinding,
    IndexFinding,
    Measurand,
    Measurement,
    Message,
    Quantity,
    Reading,
)
from app.analysis.track.bursts import BurstsFound, azimuth_of, bursts_of, index_of
from app.analysis.track.level import level_of
from app.analysis.track.output import output_of
from app.analysis.uncertainty import CLOCK_PART
from app.job.origin import Origin
from app.profiles import Profile
from instruments.options import Toleranced
from instruments.source import (
    UNSTATED_TOLERANCE,
    AddressError,
    Block,
    Role,
    Source,
    SourceInfo,
)

LIVE_SECONDS = 3.0
"""How long a source without an end is measured when nothing else is said."""

AnyAnalyser = Analyser | SweepAnalyser


@dataclass(frozen=True, slots=True)
class EnvelopeOptions:
    """What the user states about an envelope column.

    Attributes
    ----------
    low_corner_hz : float or None
        Corner of the AC-coupled input; None leaves it to the source.
    detector_threshold_v : float or None
        What the detector keeps for itself; None when not stated.
    low_corner_part, detector_threshold_part : float
        Their tolerances, as parts of them.
    """

    low_corner_hz: float | None = None
    detector_threshold_v: float | None = None
    low_corner_part: float = UNSTATED_TOLERANCE
    detector_threshold_part: float = UNSTATED_TOLERANCE

    def where_fitting(self, info: SourceInfo) -> EnvelopeOptions:
        """Return what counts for a source: nothing where there is no envelope column."""
        return self if Role.ENVELOPE in info.roles else EnvelopeOptions()

    def check(self, info: SourceInfo) -> None:
        """Refuse what is stated about an envelope where there is none, and an envelope mixed down.

        Raises
        ------
        AddressError
            When something is stated and none of the source's columns is an envelope, or when one
            is said to be mixed down.
        """
        if info.mixed_hz is not None and Role.ENVELOPE in info.roles:
            raise AddressError(
                f"source “{info.name}”: an envelope has no carrier that could be mixed down; leave "
                "mixed_hz out, or name the column differential with --roles"
            )
        if self == self.where_fitting(info):
            return
        stated = {
            "--low-corner": self.low_corner_hz,
            "--detector-threshold": self.detector_threshold_v,
        }
        names = " and ".join(name for name, value in stated.items() if value is not None)
        raise AddressError(
            f"source “{info.name}”: {names} can only be stated of an envelope, and the columns are "
            f"{','.join(info.roles)}; leave it out, or name the envelope with --roles"
        )


def envelope_options(corner: Toleranced | None, threshold: Toleranced | None) -> EnvelopeOptions:
    """Return what is stated: a corner in Hz and a threshold in volts, None where nothing is."""
    stated = EnvelopeOptions()
    if corner is not None:
        stated = replace(stated, low_corner_hz=corner.value, low_corner_part=corner.part)
    if threshold is not None:
        stated = replace(
            stated,
            detector_threshold_v=threshold.value,
            detector_threshold_part=threshold.part,
        )
    return stated


@dataclass(frozen=True, slots=True)
class Measured:
    """A reading over a whole capture, with where it comes from.

    ``settings`` are those of the instrument, as it told them: name, and value with its unit.
    """

    reading: Reading
    info: SourceInfo
    duration_s: float
    settings: tuple[tuple[str, str], ...] = ()


def analyser_for(
    info: SourceInfo, profile: Profile, options: EnvelopeOptions, *, keep_all: bool
) -> AnyAnalyser:
    """Return an analyser for an open source: of records where it delivers those.

    Raises
    ------
    AddressError
        When `options` do not fit it.
    """
    setup = setup_for(info, profile, options)
    kind = Analyser if info.continuous else SweepAnalyser
    return kind(setup, keep_all=keep_all)


def setup_for(info: SourceInfo, profile: Profile, options: EnvelopeOptions) -> Setup:
    """Return what an analysis is told of an open source and a profile.

    Raises
    ------
    AddressError
        When `options` do not fit the source.
    """
    options.check(info)
    place = {role: number for number, role in enumerate(info.roles)}
    corner: SourceInfo | EnvelopeOptions = info if options.low_corner_hz is None else options
    fast_part, clock_u_part = _clock(info)
    return Setup(
        columns=Columns(
            plus=place.get(Role.PLUS),
            minus=place.get(Role.MINUS),
            differential=place.get(Role.DIFFERENTIAL),
            envelope=place.get(Role.ENVELOPE),
            index=place.get(Role.INDEX),
        ),
        channels=len(info.roles),
        sample_rate_hz=info.sample_rate_hz * (1.0 + fast_part),
        bandwidth_hz=info.bandwidth_hz,
        mixed_hz=info.mixed_hz,
        low_corner_hz=corner.low_corner_hz,
        detector_threshold_v=options.detector_threshold_v,
        low_corner_part=corner.low_corner_part,
        detector_threshold_part=options.detector_threshold_part,
        law=_law(info) if options.detector_threshold_v is None else None,
        clock_u_part=clock_u_part,
        speed_rpm=profile.speed_rpm,
        carrier_hz=profile.carrier_hz,
        geometry=profile.geometry,
        pairs=profile.pairs,
        windows=tuple(
            StatedWindow(each.start_deg / 360.0, each.length_deg / 360.0, each.outward)
            for each in profile.windows or ()
        ),
        scale_um=profile.scale_um,
        scale_u_um=profile.scale_u_um,
        calibrated=profile.calibrated,
        first_lobe_outward=profile.first_lobe_outward,
        set_limit=profile.set_limit,
        check_limit=profile.check_limit,
        inputs=info.inputs,
        quiet_floor_v=_quiet_floor_v(info),
    )


def _clock(info: SourceInfo) -> tuple[float, float]:
    """Return by what part the sample clock is fast, and the standard uncertainty of that."""
    proof = info.proof
    if proof is None or not proof.clock_u_part:
        return 0.0, CLOCK_PART
    return proof.fast_part, proof.clock_u_part


def _quiet_floor_v(info: SourceInfo) -> tuple[float, float] | None:
    """Return what a check found of a quiet input's pairs of extremes, None where none holds."""
    if info.proof is None or not info.proof.floor:
        return None
    full_v = info.full_scale_v or 1.0
    return info.proof.floor * full_v, info.proof.floor_low * full_v


def _law(info: SourceInfo) -> KnownLaw | None:
    """Return what a check found of an envelope's detector, None where none holds."""
    if info.proof is None or info.proof.detector is None or Role.ENVELOPE not in info.roles:
        return None
    found = info.proof.detector.times(info.full_scale_v or 1.0)
    return KnownLaw(found.out, found.into, found.law_u, found.proved_hz)


def measure(
    source: Source,
    profile: Profile,
    options: EnvelopeOptions,
    seconds: float | None,
    progress: Callable[[float, float | None], None] | None = None,
) -> Measured:
    """Read a source and return the reading over all of its whole turns.

    Parameters
    ----------
    source : Source
        Not yet open; closed at the end.
    profile, options : Profile, EnvelopeOptions
        Disk, limits, and what is stated about an envelope.
    seconds : float or None
        How much to read; None reads a capture to its end, and three seconds of all else.
    progress : callable, optional
        Told the seconds done and the seconds wanted with each block.

    Raises
    ------
    SourceError
        When the source cannot be opened or read.
    """
    source.open()
    try:
        info = source.info
        analyser = analyser_for(info, profile, options, keep_all=True)
        if seconds is None and info.length_frames is None:
            seconds = LIVE_SECONDS
        wanted = info.length_frames if seconds is None else round(seconds * info.sample_rate_hz)
        end = _feed(source, analyser, wanted, progress)
        analyser.finish()
        # A file may know its name for itself better only after it was opened.
        duration_s = end / info.sample_rate_hz
        settings = source.settings
        return Measured(analyser.summary(), source.info, duration_s, settings)
    finally:
        source.close()


def _feed(
    source: Source,
    analyser: AnyAnalyser,
    wanted: int | None,
    progress: Callable[[float, float | None], None] | None,
) -> int:
    """Pass blocks to the analyser until there are enough; returns the frames read."""
    end = 0
    for block in source.blocks():
        if block is None:
            continue
        if wanted is not None and isinstance(analyser, Analyser):
            block = block.part(0, max(0, wanted - block.first_index))
        analyser.push(block)
        end = block.end_index
        if progress is not None and wanted is not None:
            progress(end / block.sample_rate_hz, wanted / block.sample_rate_hz)
        if wanted is not None and end >= wanted:
            break
    return end


_SLOWEST_PART = 0.95
"""Of the nominal speed: so many turns are in the stretch even at a spindle that is so slow."""
_TURNS_A_RECORD = 2
_PATIENCE = 3.0
_PATIENCE_S = 2.0


@dataclass(frozen=True, slots=True)
class MeasurementRequest:
    """What is to be measured.

    Attributes
    ----------
    measurand : Measurand
        What is to be found.
    turns : int
        Whole turns wanted.
    track, side : int or None, int
        Where the head stands, as far as that is known; the alignment track where not.
    """

    measurand: Measurand
    turns: int
    track: int | None = None
    side: int = 0


@dataclass(frozen=True, slots=True)
class MeasurementProgress:
    """How far a measurement has come.

    Attributes
    ----------
    part : float
        How much of what is needed has been collected, 0 to 1.
    measurement : Measurement or None
        The result, once it is done.
    fault : str
        Why it was given up; empty when it was not.
    origin : Origin or None
        Where it was read from, as it was then; None before anything was.
    """

    part: float = 0.0
    measurement: Measurement | None = None
    fault: str = ""
    origin: Origin | None = None


def origin_of(source: Source, profile: Profile) -> Origin:
    """Return where what is read now of an open source comes from."""
    info = source.info
    return Origin(info.name, info.virtual, source.instrument, profile.name, source.settings)


class MeasurementRun:
    """One measurement, from the request to its result; whoever reads the source feeds it.

    Threads: one pushes; any may look at :attr:`progress`, each time a new frozen value.

    Parameters
    ----------
    request : MeasurementRequest
        What is to be measured.
    profile, options : Profile, EnvelopeOptions
        Disk and limits; what is stated about an envelope, which counts where there is one.
    from_s : float
        Monotonic time: only blocks from then on count.
    """

    def __init__(
        self,
        request: MeasurementRequest,
        profile: Profile,
        options: EnvelopeOptions,
        from_s: float = -inf,
    ) -> None:
        self._request = request
        self._profile = profile
        self._options = options
        self._from_s = from_s
        self._track = profile.alignment_track if request.track is None else request.track
        self._begun = False
        self._was_taught = False
        self._taught: Taught | None = None
        self.progress = MeasurementProgress()

    @property
    def ended(self) -> bool:
        """Whether nothing more comes of it."""
        return self.progress.measurement is not None or bool(self.progress.fault)

    def give_up(self, why: str) -> None:
        """End it without a measurement."""
        if not self.ended:
            self.progress = replace(self.progress, fault=why)

    def push(self, block: Block, source: Source, taught: Taught | None = None) -> None:
        """Take the next block of an open source; a gap in a continuous one makes it begin anew.

        `taught` is what the live analysis of the same blocks was taught, as far as it still holds.
        """
        if self.ended or block.t0_s < self._from_s:
            return
        self._was_taught |= taught is not None
        self._taught = taught
        self._begin(source.info)
        self._collect(block)
        enough = self._have >= self._needed or self._seen >= self._patience
        self._publish(source, self._measure() if enough else None)

    def finish(self, source: Source) -> None:
        """Measure what there is: the source has come to its end."""
        if not self.ended:
            self._begin(source.info)
            self._publish(source, self._measure())

    def _publish(self, source: Source, found: Measurement | None) -> None:
        part = min(1.0, self._have / self._needed)
        if found is not None and self._begun_s is not None:
            found = replace(found, at_s=(self._begun_s + self._ended_s) / 2.0)
        origin = origin_of(source, self._profile)
        self.progress = MeasurementProgress(part, found, origin=origin)

    def _begin(self, info: SourceInfo) -> None:
        """Make ready for the first block of a source."""
        if self._begun:
            return
        self._begun, self._info = True, info
        turns, profile = self._request.turns, self._profile
        self._options = self._options.where_fitting(info)
        self._setup = setup_for(info, profile, self._options)
        turn_s = 60.0 / (_SLOWEST_PART * profile.speed_rpm)
        # One more: the first begins at the first edge.
        self._needed = ceil((turns + 1) * turn_s * info.sample_rate_hz)
        if not info.continuous:
            self._needed = ceil(turns / _TURNS_A_RECORD)
        self._patience = _PATIENCE * self._needed + _PATIENCE_S * info.sample_rate_hz
        self._seen = 0
        self._start_anew()

    def _start_anew(self) -> None:
        self._have = 0
        self._begun_s: float | None = None
        self._ended_s = 0.0
        self._pieces: list[Block] = []
        self._analyser: AnyAnalyser | None = None
        if self._request.measurand in (Measurand.RADIAL, Measurand.SPEED):
            self._analyser = analyser_for(self._info, self._profile, self._options, keep_all=True)

    def _collect(self, block: Block) -> None:
        amount = len(block.samples_v) if self._info.continuous else 1
        broken = self._have and (block.gap_before or block.first_index != self._next)
        if broken and self._info.continuous:
            self._start_anew()
        self._begun_s = block.t0_s if self._begun_s is None else self._begun_s
        self._ended_s = block.t0_s + len(block.samples_v) / block.sample_rate_hz
        self._seen += amount
        self._have += amount
        self._next = block.end_index
        if self._request.measurand is not Measurand.RADIAL:
            self._pieces.append(block)
        if self._analyser is not None:
            self._analyser.push(block)

    def _measure(self) -> Measurement:
        if self._analyser is not None:
            self._analyser.finish()
        match self._request.measurand:
            case Measurand.RADIAL:
                return self._radial()
            case Measurand.SPEED:
                return self._speed()
            case _:
                return self._track_measured()

    def _radial(self) -> Measurement:
        assert self._analyser is not None
        if self._taught is not None and isinstance(self._analyser, Analyser):
            self._analyser.adopt(self._taught)
        reading = self._analyser.summary()
        if self._was_taught and messages.SIGN_UNKNOWN in reading.notes:
            others = tuple(note for note in reading.notes if note != messages.SIGN_UNKNOWN)
            reading = replace(reading, notes=(*others, messages.SIGN_LOST))
        return Measurement(
            Measurand.RADIAL,
            problem=None if reading.valid else _first(reading.reasons),
            reading=reading,
            trace=self._analyser.trace,
            seconds=self._seconds,
        )

    def _speed(self) -> Measurement:
        turns, by_index = index_turns(self._joined(), self._setup), True
        if not turns and isinstance(self._analyser, Analyser):
            turns, by_index = list(self._analyser.turns), False
        found = speed_over(turns, self._setup, by_index=by_index)
        problem = None if found is not None else messages.NO_WHOLE_TURN
        trace = None if self._analyser is None else self._analyser.trace
        return Measurement(
            Measurand.SPEED, problem=problem, speed=found, trace=trace, seconds=self._seconds
        )

    def _track_measured(self) -> Measurement:
        pieces, setup, seconds = self._joined(), self._setup, self._seconds
        if self._request.measurand is Measurand.OUTPUT:
            return _output(pieces, setup, seconds)
        if self._request.measurand is Measurand.LEVEL:
            level = level_of(pieces, setup)
            if isinstance(level, Message):
                return Measurement(Measurand.LEVEL, problem=level, seconds=seconds)
            return Measurement(Measurand.LEVEL, level_v=level, seconds=seconds)
        if self._request.measurand is Measurand.AZIMUTH and self._profile.azimuth_arcmin is None:
            return Measurement(Measurand.AZIMUTH, problem=messages.NO_ANGLES, seconds=seconds)
        found = bursts_of(pieces, setup, self._track)
        if isinstance(found, Message):
            return Measurement(self._request.measurand, problem=found, seconds=seconds)
        if self._request.measurand is Measurand.INDEX:
            return _index(found, seconds)
        return _azimuth(pieces, found, self._profile, (self._track, self._request.side), seconds)

    @property
    def _seconds(self) -> float:
        if self._info.continuous:
            return self._have / self._info.sample_rate_hz
        return sum(len(piece.samples_v) for piece in self._pieces) / self._info.sample_rate_hz

    def _joined(self) -> list[Block]:
        """Return the stretches: one of a continuous source, each record of others."""
        if not self._info.continuous or not self._pieces:
            return self._pieces
        return [
            replace(
                self._pieces[0],
                samples_v=np.concatenate([piece.samples_v for piece in self._pieces]),
                clipped=any(piece.clipped for piece in self._pieces),
            )
        ]


def _output(pieces: list[Block], setup: Setup, seconds: float) -> Measurement:
    found = output_of(pieces, setup)
    if isinstance(found, Message):
        return Measurement(Measurand.OUTPUT, problem=found, seconds=seconds)
    return Measurement(
        Measurand.OUTPUT,
        problem=found.problem,
        output=found.finding,
        trace=found.trace,
        seconds=seconds,
    )


def _index(found: BurstsFound, seconds: float) -> Measurement:
    delay = index_of(found)
    known = isinstance(delay, IndexFinding)
    return Measurement(
        Measurand.INDEX,
        problem=None if known else delay,
        index=delay if known else None,
        trace=found.trace,
        seconds=seconds,
    )


def _azimuth(
    pieces: list[Block],
    found: BurstsFound,
    profile: Profile,
    place: tuple[int, int],
    seconds: float,
) -> Measurement:
    if any(piece.clipped for piece in pieces):
        angle: AzimuthFinding | Message = messages.CLIPPED
    else:
        angle = azimuth_of(
            found,
            profile.azimuth_arcmin or (),
            width_um=Quantity(*profile.core_um),
            radius_mm=profile.radius_mm(*place),
            carrier_hz=profile.carrier_hz * found.rpm / profile.speed_rpm,
        )
    known = isinstance(angle, AzimuthFinding)
    return Measurement(
        Measurand.AZIMUTH,
        problem=None if known else angle,
        azimuth=angle if known else None,
        trace=found.trace,
        seconds=seconds,
    )


def _first(reasons: tuple[Message, ...]) -> Message:
    return reasons[0] if reasons else messages.NO_WHOLE_TURN
