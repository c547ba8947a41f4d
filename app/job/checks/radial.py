"""Radial alignment on one side: how far the head stands from the track line."""

from __future__ import annotations

from app.analysis.findings import Measurement
from app.analysis.reading import Sign
from app.job import messages
from app.job.asking import Check, concluded, on_alignment_track, take_lobes, why_not
from app.job.bench import Situation
from app.job.budgets import guarding_u, offset_budget, total_u
from app.job.judging import judge, offset_limit
from app.job.lobes import Lobes, is_far_off, lobes_of
from app.job.model import Outcome, Stage, Value, Verdict


def radial(situation: Situation) -> Check:
    """Measure the lobes at the alignment track."""
    yield from on_alignment_track(situation, situation.side)
    measurement: Measurement = yield take_lobes(situation, f"side {situation.side}")
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
