"""Azimuth and index timing, by the bursts of the alignment disk."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

from app.analysis.findings import Measurement, Want
from app.analysis.reading import Message
from app.job import messages
from app.job.asking import Check, concluded, judged, on_track, why_not, with_alignment_disk
from app.job.bench import Situation
from app.job.judging import either_side
from app.job.model import Ask, Take, Value, Verdict

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
        situation, Want.AZIMUTH, messages.TAKING_AZIMUTH, _AZIMUTH_TURNS, track
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
        situation, Want.INDEX, messages.TAKING_INDEX, _INDEX_TURNS, track
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
    situation: Situation, want: Want, message: Message, turns: int, track: int
) -> Generator[Ask, Any, Measurement]:
    """Measure on a track of the alignment disk."""
    yield from with_alignment_disk(situation)
    yield from on_track(situation, track, situation.side)
    side = situation.side
    measurement: Measurement = yield Take(want, message, f"side {side}", turns, track, side)
    return measurement
