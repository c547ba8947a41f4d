"""Measuring a source from its beginning to its end, or for some seconds: no threads, no screen."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from app.analysis.pattern.analyser import Analyser
from app.analysis.pattern.sweeps import SweepAnalyser
from app.analysis.reading import Reading
from app.analysis.signal.demodulation import Columns
from app.analysis.signal.setup import Setup
from app.profiles import Profile
from instruments.source import (
    AddressError,
    Role,
    Source,
    SourceEnd,
    SourceInfo,
    SourceTimeout,
)

LIVE_SECONDS = 3.0
"""How long a source without an end is measured when nothing else is said."""
_SILENCE_S = 5.0

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
    """

    low_corner_hz: float | None = None
    detector_threshold_v: float | None = None

    def where_fitting(self, info: SourceInfo) -> EnvelopeOptions:
        """Return what counts for a source: nothing where there is no envelope column."""
        return self if Role.ENVELOPE in info.roles else EnvelopeOptions()

    def check(self, info: SourceInfo) -> None:
        """Refuse what is stated about an envelope where there is none.

        Raises
        ------
        AddressError
            When something is stated and none of the source's columns is an envelope.
        """
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
    corner_hz = options.low_corner_hz
    return Setup(
        columns=Columns(
            plus=place.get(Role.PLUS),
            minus=place.get(Role.MINUS),
            differential=place.get(Role.DIFFERENTIAL),
            envelope=place.get(Role.ENVELOPE),
            index=place.get(Role.INDEX),
        ),
        channels=len(info.roles),
        sample_rate_hz=info.sample_rate_hz,
        bandwidth_hz=info.bandwidth_hz,
        low_corner_hz=info.low_corner_hz if corner_hz is None else corner_hz,
        detector_threshold_v=options.detector_threshold_v,
        speed_rpm=profile.speed_rpm,
        carrier_hz=profile.carrier_hz,
        geometry=profile.geometry,
        pairs=profile.pairs,
        scale_um=profile.scale_um,
        scale_u_um=profile.scale_u_um,
        calibrated=profile.calibrated,
        first_lobe_outward=profile.first_lobe_outward,
        set_limit=profile.set_limit,
        check_limit=profile.check_limit,
    )


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
        settings = getattr(source, "settings", ())
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
    heard_s = time.monotonic()
    while wanted is None or end < wanted:
        try:
            block = source.read(0.5)
        except SourceEnd:
            break
        except SourceTimeout:
            if time.monotonic() - heard_s > _SILENCE_S:
                raise
            continue
        heard_s = time.monotonic()
        samples_v = block.samples_v
        if wanted is not None and isinstance(analyser, Analyser):
            samples_v = samples_v[: max(0, wanted - block.first_index)]
        analyser.push(
            samples_v,
            block.first_index,
            gap_before=block.gap_before,
            at_index=block.at_index,
            clipped=block.clipped,
            extremes=block.extremes,
        )
        end = block.first_index + len(samples_v)
        if progress is not None and wanted is not None:
            progress(end / block.sample_rate_hz, wanted / block.sample_rate_hz)
    return end
