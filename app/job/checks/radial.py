"""Radial alignment on one side: how far the head stands from the track line."""

from __future__ import annotations

import math

from app.analysis.findings import Measurement
from app.analysis.reading import Reading, Sign
from app.job import messages
from app.job.asking import Check, concluded, on_alignment_track, take_lobes, why_not
from app.job.bench import Situation
from app.job.judging import judge, offset_limit
from app.job.model import Outcome, Stage, Value, Verdict
from app.profiles import Profile


def radial(situation: Situation) -> Check:
    """Measure the lobes at the alignment track."""
    yield from on_alignment_track(situation, situation.side)
    measurement: Measurement = yield take_lobes(situation, f"side {situation.side}")
    reading = measurement.reading
    if measurement.problem is not None or reading is None or not reading.valid:
        return without_lobes(situation, measurement)
    assert reading.offset_um is not None
    limit = offset_limit(situation.profile, final=situation.stage is not Stage.AS_FOUND)
    budget = budget_of(situation, reading)
    inside_um = guarded_u_um(budget)
    unsigned = reading.sign is Sign.UNKNOWN
    return concluded(
        situation,
        judge(reading.offset_um.value, inside_um, limit),
        value=reading.offset_um.value,
        u=total_u_um(budget),
        unit="µm",
        limit=limit,
        reason=str(messages.NO_SIGN) if unsigned else "",
        details=_lobes(reading),
        budget=budget,
    )


def without_lobes(situation: Situation, measurement: Measurement) -> Outcome:
    """Return what follows where there is no offset: beyond the limit when one lobe is left."""
    reading = measurement.reading
    far_off = reading is not None and reading.side is not None
    verdict = Verdict.FAIL if far_off else Verdict.UNDECIDED
    limit = offset_limit(situation.profile, final=situation.stage is not Stage.AS_FOUND)
    return concluded(situation, verdict, unit="µm", limit=limit, reason=why_not(measurement))


def budget_of(situation: Situation, reading: Reading) -> tuple[Value, ...]:
    """Return the parts of an offset's standard uncertainty, in micrometres."""
    assert reading.balance is not None
    profile, known = situation.profile, situation.known
    parts = [
        Value(SCATTER, profile.scale_um * reading.balance.u, unit="µm"),
        Value(SCALE, profile.scale_u_um * abs(reading.balance.value), unit="µm"),
    ]
    if known.seating_u_um is not None:
        parts.append(Value(SEATING, known.seating_u_um, unit="µm"))
    if known.climate_u_um:
        parts.append(Value(CLIMATE, known.climate_u_um, unit="µm"))
    return tuple(parts)


SCATTER = "scatter"
SCALE = "scale of the disk"
SEATING = "seating"
CLIMATE = "temperature and humidity"


def total_u_um(budget: tuple[Value, ...]) -> float:
    """Return the root of the sum of squares of a budget's parts (JCGM 100, 5.1.2)."""
    return math.hypot(*(part.value for part in budget))


def guarded_u_um(budget: tuple[Value, ...]) -> float:
    """Return the part of the uncertainty that counts against the limit of the lobes' difference.

    The limit is stated as a difference of the lobes, so the disk's scale is in the offset and in
    the limit alike.
    """
    return math.hypot(*(part.value for part in budget if part.name != SCALE))


def scale_of(profile: Profile) -> Value:
    """Return the scale that turned a balance into an offset."""
    return Value("scale", profile.scale_um, profile.scale_u_um, "µm")


def _lobes(reading: Reading) -> tuple[Value, ...]:
    assert reading.ratio is not None
    assert reading.difference is not None
    return (
        Value("ratio", reading.ratio.value, reading.ratio.u),
        Value("difference", 100.0 * reading.difference.value, 100.0 * reading.difference.u, "%"),
    )
