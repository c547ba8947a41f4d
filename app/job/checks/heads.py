"""Azimuth, index timing and output of a head, by bursts and by tracks of one frequency."""

from __future__ import annotations

import math
from collections.abc import Generator
from typing import Any

from app.analysis.messages import fill
from app.analysis.results import Measurand, Measurement, Message, OutputFinding, Quantity, Verdict
from app.job import messages
from app.job.checks.common import (
    Check,
    concluded,
    judged,
    on_track,
    why_not,
    with_alignment_disk,
    with_scratch_disk,
)
from app.job.model import Action, Ask, Do, Measure, Situation, Value
from app.job.verdicts import either_side

_AZIMUTH_TURNS = 20
_INDEX_TURNS = 40
"""Noise moves the start of a burst by up to a microsecond in a single turn."""


def azimuth(situation: Situation) -> Check:
    """Measure the heights of bursts at known angles; their loss tells the head's angle."""
    profile = situation.profile
    limit = either_side(
        profile, "azimuth_limit_arcmin", profile.azimuth_limit_arcmin, "arcmin", about=0.0
    )
    track = profile.azimuth_track
    if track is None:
        reason = str(messages.NO_BURSTS)
        return concluded(situation, Verdict.NOTED, unit="arcmin", limit=limit, reason=reason)
    measurement = yield from _measure(
        situation, Measurand.AZIMUTH, messages.TAKING_AZIMUTH, _AZIMUTH_TURNS, track
    )
    found = measurement.azimuth
    if found is None:
        reason = why_not(measurement)
        return concluded(situation, Verdict.UNDECIDED, unit="arcmin", limit=limit, reason=reason)
    return judged(
        situation,
        found.angle_arcmin,
        limit,
        details=(
            Value("misfit", found.misfit_percent, unit="%"),
            *(
                Value(f"burst {number}", burst.height_v.value, burst.height_v.u, "V")
                for number, burst in enumerate(found.bursts, 1)
            ),
        ),
    )


def index_timing(situation: Situation) -> Check:
    """Measure from the edge of the index to the start of the burst."""
    profile = situation.profile
    limit = either_side(
        profile,
        "index_to_burst_us",
        profile.index_to_burst_tolerance_us,
        "µs",
        about=profile.index_to_burst_us,
    )
    if not profile.index_tracks:
        reason = str(messages.NO_BURSTS)
        return concluded(situation, Verdict.NOTED, unit="µs", limit=limit, reason=reason)
    track = profile.index_tracks[0]
    measurement = yield from _measure(
        situation, Measurand.INDEX, messages.TAKING_INDEX, _INDEX_TURNS, track
    )
    found = measurement.index
    if found is None:
        reason = why_not(measurement)
        return concluded(situation, Verdict.UNDECIDED, unit="µs", limit=limit, reason=reason)
    return judged(
        situation,
        found.delay_us,
        limit,
        details=(
            Value("scatter of single turns", found.scatter_us, unit="µs"),
            Value("turns", float(found.turns)),
        ),
    )


def _measure(
    situation: Situation, measurand: Measurand, message: Message, turns: int, track: int
) -> Generator[Ask, Any, Measurement]:
    """Measure on a track of the alignment disk."""
    yield from with_alignment_disk(situation)
    yield from on_track(situation, track, situation.side)
    side = situation.side
    measurement: Measurement = yield Measure(measurand, message, f"side {side}", turns, track, side)
    return measurement


_WRITES = (("1F", Action.WRITE_1F), ("2F", Action.WRITE_2F))


def output(situation: Situation) -> Check:
    """Write and measure the outermost and the innermost track, with 1F and with 2F."""
    yield from with_scratch_disk(situation)
    found: dict[tuple[str, str], OutputFinding] = {}
    reason = ""
    side = situation.side
    for place, track in (("outer", 0), ("inner", situation.profile.tracks - 1)):
        yield from on_track(situation, track, side)
        for pattern, action in _WRITES:
            yield Do(action, fill(messages.WRITE, track, side, pattern), track=track, side=side)
            measurement: Measurement = yield Measure(
                Measurand.OUTPUT,
                messages.TAKING_OUTPUT,
                f"{place} {pattern}",
                situation.options.turns,
                track,
                side,
            )
            # An output may lack a part, and say why.
            reason = reason or why_not(measurement)
            if measurement.output is not None:
                found[place, pattern] = measurement.output
    resolution = _resolution(found, "inner")
    details = tuple(_details(found))
    if resolution is None:
        return concluded(situation, Verdict.UNDECIDED, unit="%", reason=reason, details=details)
    return concluded(
        situation,
        Verdict.NOTED,
        value=resolution.value,
        u=resolution.u,
        unit="%",
        reason=reason,
        details=details,
    )


def _resolution(found: dict[tuple[str, str], OutputFinding], place: str) -> Quantity | None:
    """Return 2F over 1F on one track, in per cent (ISO 7487 family, from memory)."""
    first, second = found.get((place, "1F")), found.get((place, "2F"))
    if first is None or second is None or first.amplitude_v.value <= 0.0:
        return None
    upper, lower = second.amplitude_v, first.amplitude_v
    value = 100.0 * upper.value / lower.value
    return Quantity(value, math.hypot(100.0 * upper.u, value * lower.u) / lower.value)


def _details(found: dict[tuple[str, str], OutputFinding]) -> list[Value]:
    rows: list[Value] = []
    for (place, pattern), one in found.items():
        for name, quantity, unit in (
            ("amplitude", one.amplitude_v, "V"),
            ("modulation", one.modulation_percent, "%"),
            ("asymmetry", one.asymmetry_ns, "ns"),
        ):
            if quantity is not None:
                rows.append(Value(f"{name}, {place} {pattern}", quantity.value, quantity.u, unit))
    outer = _resolution(found, "outer")
    if outer is not None:
        rows.append(Value("resolution, outer", outer.value, outer.u, "%"))
    return rows
