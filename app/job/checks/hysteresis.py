"""Hysteresis: where the head rests when it comes from the outer and from the inner side."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from itertools import count
from typing import Any

from app.analysis.bench.hysteresis import Arrival, HysteresisFinding, hysteresis_of
from app.analysis.findings import Measurement
from app.analysis.messages import fill
from app.analysis.reading import Side
from app.job import messages
from app.job.asking import Check, arrive, concluded, learn, on_alignment_track, take_lobes, why_not
from app.job.bench import MIDDLE, Situation
from app.job.budgets import SCALE, SCATTER, offset_budget, total_u
from app.job.judging import judge, source_of
from app.job.lobes import lobes_of
from app.job.model import Ask, Limit, Outcome, Value, Verdict

_WORDS = {Side.OUTWARD: "from outside", Side.INWARD: "from inside"}


@dataclass(frozen=True, slots=True)
class Arrivals:
    """What arriving from both sides came to: the finding, and why it lacks or is of fewer."""

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
            measurement: Measurement = yield take_lobes(situation, f"{_WORDS[side]} {number}")
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
