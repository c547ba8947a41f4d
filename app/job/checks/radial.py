"""Radial offset of a head, and its hysteresis: where it rests when it comes from either side."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from itertools import count
from typing import Any

from app.analysis.adjust.positioner import Arrival, HysteresisFinding, hysteresis_of
from app.analysis.messages import fill
from app.analysis.results import Measurement, Side, Sign, Verdict
from app.job import messages
from app.job.checks.common import (
    Check,
    Lobes,
    arrive,
    concluded,
    is_far_off,
    learn,
    lobes_of,
    measure_lobes,
    on_alignment_track,
    why_not,
)
from app.job.model import MIDDLE, Ask, Limit, Outcome, Situation, Stage, Value
from app.job.verdicts import (
    SCALE,
    SCATTER,
    guarding_u,
    judge,
    offset_budget,
    offset_limit,
    source_of,
    total_u,
)


def radial(situation: Situation) -> Check:
    """Measure the lobes at the alignment track."""
    yield from on_alignment_track(situation, situation.side)
    measurement: Measurement = yield measure_lobes(situation, f"side {situation.side}")
    lobes = lobes_of(situation.profile, measurement)
    if lobes is None:
        return _without_lobes(situation, measurement)
    limit = offset_limit(situation.profile, final=situation.stage is not Stage.AS_FOUND)
    budget = offset_budget(situation, lobes.offset_um.value, lobes.offset_um.u)
    unsigned = lobes.reading.sign is Sign.UNKNOWN
    return concluded(
        situation,
        judge(lobes.offset_um.value, guarding_u(budget), limit),
        value=lobes.offset_um.value,
        u=total_u(budget),
        unit="µm",
        limit=limit,
        reason=str(messages.NO_SIGN) if unsigned else "",
        details=_details(lobes),
        budget=budget,
    )


def _without_lobes(situation: Situation, measurement: Measurement) -> Outcome:
    """Return what follows where there is no offset: beyond the limit when one lobe is left."""
    verdict = Verdict.FAIL if is_far_off(measurement.reading) else Verdict.UNDECIDED
    limit = offset_limit(situation.profile, final=situation.stage is not Stage.AS_FOUND)
    return concluded(situation, verdict, unit="µm", limit=limit, reason=why_not(measurement))


def _details(lobes: Lobes) -> tuple[Value, ...]:
    reading = lobes.reading
    assert reading.ratio is not None
    assert reading.difference is not None
    difference = reading.difference
    return (
        Value("ratio", reading.ratio.value, reading.ratio.u),
        Value("difference", 100.0 * difference.value, 100.0 * difference.u, "%"),
    )


_WORDS = {Side.OUTWARD: "from outside", Side.INWARD: "from inside"}


@dataclass(frozen=True, slots=True)
class Arrivals:
    """What was found of arrivals from both sides; why it is missing, or of fewer."""

    finding: HysteresisFinding | None
    reason: str


def hysteresis(situation: Situation) -> Check:
    """Arrive from either side in turn, as often as the options say."""
    yield from on_alignment_track(situation)
    arrivals = yield from arrive_from_both(situation, situation.options.arrivals)
    profile, finding = situation.profile, arrivals.finding
    source = source_of(profile, "hysteresis_limit_um")
    limit = Limit(None, profile.hysteresis_limit_um, "µm", source)
    if finding is None:
        return concluded(
            situation, Verdict.UNDECIDED, unit="µm", limit=limit, reason=arrivals.reason
        )
    return _found(situation, finding, limit, arrivals.reason)


def _found(situation: Situation, finding: HysteresisFinding, limit: Limit, reason: str) -> Outcome:
    profile, difference = situation.profile, finding.difference_um
    scale_um = profile.scale_u_um / profile.scale_um * abs(difference.value)
    budget = (Value(SCATTER, difference.u, unit="µm"), Value(SCALE, scale_um, unit="µm"))
    middle = finding.middle_um
    middle_u_um = total_u(offset_budget(situation, middle.value, middle.u))
    rests = ((Side.OUTWARD, finding.outside_um), (Side.INWARD, finding.inside_um))
    return concluded(
        situation,
        judge(abs(difference.value), total_u(budget), limit),
        value=difference.value,
        u=total_u(budget),
        unit="µm",
        limit=limit,
        reason=reason,
        details=(
            Value(MIDDLE, middle.value, middle_u_um, "µm"),
            *(Value(_WORDS[side], rest.value, rest.u, "µm") for side, rest in rests),
            Value("scatter of arrivals", finding.scatter_um, unit="µm"),
        ),
        budget=budget,
    )


def arrive_from_both(situation: Situation, times: int) -> Generator[Ask, Any, Arrivals]:
    """Arrive from either side in turn, `times` times each."""
    found: list[Arrival] = []
    reason = ""
    clock = count()
    for number in range(1, times + 1):
        for side in (Side.OUTWARD, Side.INWARD):
            yield from arrive(situation, side, number)
            measurement: Measurement = yield measure_lobes(situation, f"{_WORDS[side]} {number}")
            lobes = lobes_of(situation.profile, measurement)
            # One that is missing takes its time all the same: the drift goes by the order.
            at_s = float(next(clock))
            if lobes is not None and lobes.signed:
                found.append(Arrival(side is Side.OUTWARD, lobes.offset_um, at_s))
            elif not reason:
                reason = why_not(measurement) if lobes is None else str(messages.NO_SIGN)
    if reason and found:
        reason = f"{fill(messages.FEW_ARRIVALS, len(found), 2 * times)}: {reason}"
    if len({arrival.from_outside for arrival in found}) < 2:
        return Arrivals(None, reason)
    finding = hysteresis_of(found)
    learn(situation, hysteresis_um=finding.difference_um)
    return Arrivals(finding, reason)
