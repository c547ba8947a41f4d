"""The way of a capture through the instrument, as the commands take it.

:func:`measured` gives the object that ``measure --json`` prints, by the function that the command
calls. :func:`watched` feeds the same analysis block by block, as the session does, and gives what a
screen would show after each, by the sample clock alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from app.live.measurement import EnvelopeOptions, Measured, analyser_for, measure
from app.live.view import Newest, View
from app.profiles import AlignmentWindow, Profile, load_profile
from app.stream.acquisition import Phase, Status
from app.text import reading_as_json
from instruments.source import Block, Role, Source, SourceEnd, SourceInfo
from tests.hunt.signal import Capture

_FILE_FRAMES = 262_144
_LIVE_S = 0.01
_SCOPE_BANDWIDTH_HZ = 20e6


class MemorySource(Source):
    """A capture in memory as a source: blocks of so many frames, or a record each."""

    def __init__(self, capture: Capture, frames: int = _FILE_FRAMES) -> None:
        self._blocks = list(_blocks(capture, frames))
        is_record = capture.is_record
        self._info = SourceInfo(
            name="hunt",
            roles=tuple(Role(role) for role in capture.roles),
            roles_from="given",
            sample_rate_hz=capture.rate_hz,
            bandwidth_hz=_SCOPE_BANDWIDTH_HZ if is_record else capture.rate_hz / 2,
            continuous=not is_record,
            live=is_record,
            length_frames=None if is_record else sum(len(part) for part in capture.parts),
            inputs=2 if is_record and capture.conditions.kind.has_phases else 1,
        )
        self._place = 0

    def open(self) -> None:
        """Begin at the beginning."""
        self._place = 0

    def read(self, timeout_s: float) -> Block:
        """Return the next block."""
        del timeout_s
        if self._place == len(self._blocks):
            raise SourceEnd("the capture is at its end")
        self._place += 1
        return self._blocks[self._place - 1]

    def close(self) -> None:
        """Do nothing: it can be opened again."""


def _blocks(capture: Capture, frames: int) -> Iterator[Block]:
    for start, part in zip(capture.starts, capture.parts, strict=True):
        size = len(part) if capture.is_record else frames
        for first in range(0, len(part), size):
            yield Block(
                samples_v=part[first : first + size],
                sample_rate_hz=capture.rate_hz,
                first_index=start + first,
                t0_s=(start + first) / capture.rate_hz,
                gap_before=capture.is_record and start > 0,
                uncalibrated=True,
                min_max=capture.is_record,
                at_index=capture.is_record and capture.at_index,
            )


@cache
def _base_profile() -> Profile:
    return load_profile("130mm-48tpi")


def profile_for(capture: Capture) -> Profile:
    """Return the default class of drive, its density such that the carrier fits the capture."""
    base = _base_profile()
    density = base.density_ftprad * capture.conditions.nominal_carrier_hz / base.carrier_hz
    stated = capture.stated
    return replace(
        base,
        # Carriers are drawn a little off what the class says, as speeds are.
        density_ftprad=round(density, -2),
        geometry=stated.geometry,
        pairs=stated.pairs,
        windows=_windows(capture),
        first_lobe_outward=not stated.bursts or stated.bursts[0].is_first,
        # Else there is a note beside every reading, and one that is wanted would not be missed.
        calibrated=True,
    )


def _windows(capture: Capture) -> tuple[AlignmentWindow, ...] | None:
    """Return the bursts as a disk's profile states them: of the first kind is outward."""
    bursts = capture.stated.bursts
    if not bursts:
        return None
    return tuple(
        AlignmentWindow(360.0 * each.start, 360.0 * each.length, each.is_first) for each in bursts
    )


def _options(capture: Capture) -> EnvelopeOptions:
    if "envelope" not in capture.roles:
        return EnvelopeOptions()
    stated = capture.stated
    return EnvelopeOptions(stated.low_corner_hz, stated.detector_threshold_v)


def measured(capture: Capture) -> dict[str, Any]:
    """Return the reading over a whole capture, as ``measure --json`` prints it."""
    profile = profile_for(capture)
    found = measure(MemorySource(capture), profile, _options(capture), None)
    return reading_as_json(found, profile)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a screen shows at one moment.

    Attributes
    ----------
    time_s : float
        By the sample clock.
    at_s : float
        When the newest sample of the reading was taken.
    reading : dict or None
        As ``measure --json`` prints it.
    """

    time_s: float
    at_s: float
    reading: dict[str, Any] | None


def watched(capture: Capture) -> Iterator[Shown]:
    """Yield what the screen shows after each block of 10 ms."""
    profile = profile_for(capture)
    source = MemorySource(capture, round(_LIVE_S * capture.rate_hz))
    info = source.info
    analyser = analyser_for(info, profile, _options(capture), keep_all=False)
    newest = Newest()
    frames = 0
    source.open()
    for block in source.blocks():
        assert block is not None
        frames += len(block.samples_v)
        if analyser.push(block):
            reading = analyser.reading
            newest.publish_reading(reading, block.time_of(reading.end_index), analyser.trace)
        now_s = block.time_of(block.end_index)
        status = Status(Phase.RUNNING, "", info, frames, 0, ())
        view = newest.view(View(phase=Phase.RUNNING), status, info, now_s)
        shown = view.reading
        as_json = None if shown is None else reading_as_json(Measured(shown, info, now_s), profile)
        yield Shown(now_s, view.reading_at_s, as_json)
