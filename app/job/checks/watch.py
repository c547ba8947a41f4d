"""Watching a head in time: until the drive is warm as found, and with all on as left."""

from __future__ import annotations

from app.analysis.adjust.settling import SETTLED_U_UM_PER_MIN, Settling, TimedPlace, settling_of
from app.analysis.budget import Budget, Part
from app.analysis.messages import fill
from app.analysis.results import Measurement, Verdict
from app.analysis.uncertainty import covering
from app.job import messages
from app.job.budget import READING
from app.job.checks.common import (
    Check,
    by_budget,
    concluded,
    lobes_of,
    measure_lobes,
    on_alignment_track,
    why_not,
)
from app.job.model import Action, Do, Outcome, Situation, Stage, Value

_EVERY_S = 60.0
_MOST = 16
"""Looks, one a minute; a drive that has not settled by then is told so."""
_UNIT = "µm/min"


def drift(situation: Situation) -> Check:
    """Measure the lobes once a minute until their drift is below its own uncertainty."""
    as_left = situation.stage is Stage.AS_LEFT
    if as_left:
        yield Do(Action.CONFIRM, messages.COVER_ON)
    yield from on_alignment_track(situation, situation.head)
    places: list[TimedPlace] = []
    reason, settling = "", None
    for number in range(1, _MOST + 1):
        if number > 1:
            words = messages.WAIT_LEFT if as_left else messages.WAIT_WARM
            yield Do(Action.WAIT, fill(words, number, _MOST), amount=_EVERY_S)
        measurement: Measurement = yield measure_lobes(situation, f"look {number}")
        lobes = lobes_of(situation.profile, measurement)
        if lobes is None or not lobes.signed or measurement.at_s is None:
            reason = str(messages.NO_SIGN) if lobes is not None else why_not(measurement)
            return concluded(situation, Verdict.UNDECIDED, unit=_UNIT, reason=reason)
        places.append(TimedPlace(measurement.at_s, lobes.offset_um))
        settling = settling_of(places)
        if settling is not None and settling.settled:
            break
    return _outcome(situation, settling, len(places))


def _outcome(situation: Situation, settling: Settling | None, looks: int) -> Outcome:
    if settling is None:
        reason = str(messages.NO_TIME_PASSED)
        return concluded(situation, Verdict.UNDECIDED, unit=_UNIT, reason=reason)
    rate = settling.rate_um_per_min
    words = messages.SETTLED if settling.settled else messages.NOT_SETTLED
    said = fill(words, f"{settling.minutes:.0f}", f"{SETTLED_U_UM_PER_MIN:g}")
    return concluded(
        situation,
        Verdict.NOTED if settling.settled else Verdict.UNDECIDED,
        unit=_UNIT,
        reason=str(said),
        details=(
            Value.of("moved since the first look", covering(settling.moved_um), "µm"),
            Value("watched", settling.minutes, unit="min"),
            Value("looks", float(looks)),
        ),
        **by_budget(Budget(rate.value, (Part(READING, rate.u, dof=rate.dof, unit=_UNIT),))),
    )
