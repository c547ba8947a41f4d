"""The head on every radial track of the disk: slope over the stroke, and the stepper's phases."""

from __future__ import annotations

from app.analysis.adjust.stroke import TrackPlace, stroke_of
from app.analysis.messages import fill
from app.analysis.results import Measurement, Quantity
from app.analysis.uncertainty import covering
from app.job import messages
from app.job.checks.common import (
    Check,
    corrected_here,
    judged_offset,
    limit_here,
    lobes_of,
    measure_lobes,
    on_track,
    why_not,
    with_alignment_disk,
    without_number,
)
from app.job.model import Situation, Value


def tracks(situation: Situation) -> Check:
    """Measure the lobes on every radial track, each come to from outside; judge the farthest."""
    profile, limit = situation.profile, limit_here(situation)
    yield from with_alignment_disk(situation)
    # From the outer end on each is come to from outside: hysteresis takes no part.
    yield from on_track(situation, 0, situation.head)
    found: list[TrackPlace] = []
    reason = ""
    for track in sorted({*(profile.radial_tracks or ()), profile.alignment_track}):
        yield from on_track(situation, track, situation.head)
        measurement: Measurement = yield measure_lobes(situation, f"track {track}")
        lobes = lobes_of(profile, measurement)
        if lobes is not None and lobes.signed:
            found.append(TrackPlace(track, corrected_here(situation, lobes.offset_um, track)))
        else:
            why = str(messages.NO_SIGN) if lobes is not None else why_not(measurement)
            reason = reason or str(fill(messages.TRACK_WITHOUT, track, why))
    if not found:
        return without_number(situation, limit, reason)
    farthest = max(found, key=lambda place: abs(place.offset_um.value))
    said = str(fill(messages.FARTHEST, farthest.track))
    return judged_offset(
        situation,
        farthest.offset_um,
        limit,
        farthest.track,
        reason="; ".join(filter(None, (said, reason))),
        details=_details(situation, found),
    )


def _details(situation: Situation, found: list[TrackPlace]) -> tuple[Value, ...]:
    profile = situation.profile
    rows = [Value.of(f"track {each.track}", covering(each.offset_um), "µm") for each in found]
    stroke = stroke_of(found, profile.tracks, profile.stepper_phases)
    if stroke is None:
        return tuple(rows)
    rows.append(_row("slope over the stroke, outer end less inner", stroke.slope_um))
    rows += [_row(f"phase {phase} holds outward by", um) for phase, um in stroke.phases_um]
    return tuple(rows)


def _row(name: str, found: Quantity) -> Value:
    return Value.of(name, covering(found), "µm")
