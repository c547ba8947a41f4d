"""What a source's input is like by itself, measured with no drive turning.

No threads: whoever checks reads the source.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.peakdetect import half_ranges, quiet_floor
from app.analysis.frontend.clock import NETWORK_PART, SYSTEM_PART, ClockFound, clock_of
from app.analysis.frontend.quiet import (
    CommonHum,
    QuietChannel,
    common_hum,
    quiet_channel,
)
from instruments.source import Block, Role, Source, SourceInfo

QUIET_S = 10.0
"""How long is listened when nothing else is said."""
_ASK_S = 1.5
Progress = Callable[[float, float | None], None]


@dataclass(frozen=True, slots=True)
class QuietCheck:
    """What an input gives by itself.

    Attributes
    ----------
    info : SourceInfo
        What the open source told of itself.
    seconds : float
        Length of what was listened to.
    channels : mapping of Role to QuietChannel
        Those that carry signal; empty where too little came.
    full_scale_v : float or None
        Where it clips, in the source's own volts; None when not known.
    common : CommonHum or None
        What a hum on both phases says of them.
    clock : ClockFound or None
        The sample clock against the system's; None where it has none, or too little was heard.
    system_u_part : float
        Standard uncertainty of the system's own clock.
    floor_v : tuple of float, or None
        Of pairs of extremes, half of what lies between two: in the mean, and nearly the lowest.
    """

    info: SourceInfo
    seconds: float
    channels: Mapping[Role, QuietChannel]
    full_scale_v: float | None
    common: CommonHum | None
    clock: ClockFound | None
    system_u_part: float
    floor_v: tuple[float, float] | None = None

    @property
    def is_quiet(self) -> bool:
        """Whether what was heard is the input alone."""
        return bool(self.channels) and not any(channel.busy for channel in self.channels.values())


@dataclass(frozen=True, slots=True)
class HeardFrames:
    """Frames as they came: samples in stretches without a gap, and when each block had arrived.

    Attributes
    ----------
    stretches : list of numpy.ndarray
        float32, each of shape (frames, channels).
    ends, arrivals_s : list of float
        Absolute index after each block, and the clock when it had arrived.
    """

    stretches: list[NDArray[np.float32]]
    ends: list[float]
    arrivals_s: list[float]
    uncalibrated: bool
    min_max: bool
    clipped: bool

    @property
    def frames(self) -> int:
        """All frames."""
        return sum(map(len, self.stretches))


def listen(
    source: Source,
    seconds: float,
    progress: Progress | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> HeardFrames:
    """Read an open source for so long, or to its end.

    Raises
    ------
    SourceError
        When it cannot be read.
    """
    pieces: list[list[Block]] = []
    ends: list[float] = []
    arrivals_s: list[float] = []
    have = 0
    for block in source.blocks():
        if block is None:
            continue
        arrivals_s.append(clock())
        ends.append(float(block.end_index))
        if not pieces or not _follows(pieces[-1][-1], block):
            pieces.append([])
        pieces[-1].append(block)
        have += len(block.samples_v)
        heard_s = have / block.sample_rate_hz
        if progress is not None:
            progress(heard_s, seconds)
        if heard_s >= seconds:
            break
    return HeardFrames(
        [np.concatenate([block.samples_v for block in piece]) for piece in pieces],
        ends,
        arrivals_s,
        uncalibrated=any(piece[0].uncalibrated for piece in pieces),
        min_max=any(piece[0].min_max for piece in pieces),
        clipped=any(block.clipped for piece in pieces for block in piece),
    )


def _follows(before: Block, block: Block) -> bool:
    """Return whether frames follow on; whether they clip is told of all."""
    return before.goes_on_with(replace(block, clipped=before.clipped))


def quiet_check_of(info: SourceInfo, heard: HeardFrames) -> QuietCheck:
    """Return what was heard of a quiet input says of it.

    Pairs of extremes are taken as the middle and half the distance of each: the middle has the
    offset and the hum, and the noise is that of the extremes.
    """
    rate_hz = info.sample_rate_hz
    stretches = [each.astype(np.float64) for each in heard.stretches]
    floor_v = None
    if heard.min_max:
        signal = next(n for n, role in enumerate(info.roles) if role is not Role.INDEX)
        floor_v = quiet_floor([half_ranges(each[:, signal]) for each in heard.stretches])
        stretches = [0.5 * (each[::2] + each[1::2]) for each in stretches]
        rate_hz /= 2.0
    found = {
        role: quiet_channel([each[:, column] for each in stretches], rate_hz)
        for column, role in enumerate(info.roles)
        if role is not Role.INDEX
    }
    channels = {role: channel for role, channel in found.items() if channel is not None}
    clock = None
    if info.live and info.continuous:
        clock = clock_of(np.array(heard.ends), np.array(heard.arrivals_s), info.sample_rate_hz)
    return QuietCheck(
        info=info,
        seconds=heard.frames / info.sample_rate_hz,
        channels=channels,
        full_scale_v=1.0 if info.full_scale_v is None and heard.uncalibrated else info.full_scale_v,
        common=_common(info, channels, stretches, rate_hz),
        clock=clock,
        system_u_part=NETWORK_PART if clock is not None and _time_is_kept() else SYSTEM_PART,
        floor_v=floor_v,
    )


def _common(
    info: SourceInfo,
    channels: Mapping[Role, QuietChannel],
    stretches: list[NDArray[np.float64]],
    rate_hz: float,
) -> CommonHum | None:
    if Role.PLUS not in channels or Role.MINUS not in channels:
        return None
    plus, minus = info.roles.index(Role.PLUS), info.roles.index(Role.MINUS)
    longest = max(stretches, key=len)
    return common_hum(longest[:, plus], longest[:, minus], rate_hz, channels[Role.PLUS].hum_hz)


def _time_is_kept() -> bool:
    """Return whether a time service keeps this computer's clock, as far as the system tells."""
    if not sys.platform.startswith("linux"):
        return False
    ask = ["timedatectl", "show", "--property=NTPSynchronized", "--value"]
    try:
        told = subprocess.run(ask, capture_output=True, text=True, timeout=_ASK_S, check=False)
    except (OSError, subprocess.SubprocessError):
        return False
    return told.stdout.strip() == "yes"
