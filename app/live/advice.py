"""What the levels say beside the reading: how strong each channel is, and why it may be weak."""

from __future__ import annotations

from collections.abc import Sequence

from app.analysis.reading import Message
from app.live.view import Level
from app.stream.meters import ChannelLevel
from instruments.source import Role, SourceInfo

_LOW_PART = 0.01
"""Of the full scale; where that is not known, volts are taken as parts of 1 V."""

LOW_LEVEL = Message(
    "the level is low: a ×10 probe into a line input, the wrong input, or an input that is muted"
)
NO_LEVEL = Message("no level at all: the input is muted, or nothing is connected to it")
LOW_LEVEL_KEPT = Message("the level is low: record again with more gain or a ×1 probe")
NO_LEVEL_KEPT = Message("no level at all: the capture is silent; check the input and record again")
LOW_LEVEL_VIRTUAL = Message("the level is low: the virtual drive's amplitude_v is set so")


def levels_of(measured: Sequence[ChannelLevel], info: SourceInfo | None) -> tuple[Level, ...]:
    """Return the levels with their roles; empty before the source is open or gives samples."""
    if info is None or not measured:
        return ()
    full_v = info.full_scale_v
    return tuple(
        Level(
            role=role,
            peak_v=level.peak_v,
            of_full_scale=level.peak_v / full_v if full_v else None,
            clipped=level.clipped,
        )
        for role, level in zip(info.roles, measured, strict=True)
    )


def advice_on(levels: Sequence[Level], info: SourceInfo) -> tuple[Message, ...]:
    """Return the likely cause of a signal that is too weak to be read; empty when it is not.

    Parameters
    ----------
    levels : sequence of Level
        As :func:`levels_of` returns them; the index does not count.
    info : SourceInfo
        Of the source that they come from.
    """
    parts = [
        level.peak_v if level.of_full_scale is None else level.of_full_scale
        for level in levels
        if level.role != Role.INDEX
    ]
    if not parts or max(parts) >= _LOW_PART:
        return ()
    silent = max(parts) == 0.0
    if info.length_frames is not None:
        return (NO_LEVEL_KEPT if silent else LOW_LEVEL_KEPT,)
    if info.virtual:
        return (LOW_LEVEL_VIRTUAL,)
    return (NO_LEVEL if silent else LOW_LEVEL,)
