"""Adjusting: nudges until the middle of the hysteresis is on the track line."""

from __future__ import annotations

import math

from app.analysis.messages import fill
from app.job import messages
from app.job.asking import Check, change, concluded, on_alignment_track
from app.job.bench import CLOCKWISE, Situation
from app.job.checks.nudging import Standing, look, nudge
from app.job.checks.radial import CLIMATE, SCALE, SEATING, total_u_um
from app.job.judging import judge, offset_limit
from app.job.model import Action, Do, Outcome, Value, Verdict


def adjust(situation: Situation) -> Check:
    """Loosen the screws, and nudge until the goal is met."""
    yield from on_alignment_track(situation)
    if situation.bench.loose is not True:
        yield Do(Action.LOOSEN, messages.LOOSEN)
        change(situation, loose=True)
    standing = yield from look(situation, "before")
    best = standing
    while not _is_met(situation, standing) and _can_nudge(situation, standing):
        standing = yield from nudge(situation, standing, 0.0)
        best = min(best, standing, key=_distance_um)
    return middle_outcome(situation, standing, best)


def middle_outcome(situation: Situation, standing: Standing, best: Standing) -> Outcome:
    """Return what adjusting came to."""
    limit = offset_limit(situation.profile, final=True)
    if standing.middle_um is None:
        far_off = standing.side is not None
        verdict = Verdict.FAIL if far_off else Verdict.UNDECIDED
        return concluded(situation, verdict, unit="µm", limit=limit, reason=standing.reason)
    budget = middle_budget(situation, standing)
    guarded = math.hypot(*(part.value for part in budget if part.name != SCALE))
    reason = ""
    if not _is_met(situation, standing):
        words = (situation.bench.nudges, f"{best.middle_um:.1f}")
        reason = str(fill(messages.NUDGES_USED_UP, *words))
    return concluded(
        situation,
        judge(standing.middle_um, guarded, limit),
        value=standing.middle_um,
        u=total_u_um(budget),
        unit="µm",
        limit=limit,
        reason=reason,
        details=learned(situation),
        budget=budget,
    )


def middle_budget(situation: Situation, standing: Standing) -> tuple[Value, ...]:
    """Return the parts of the middle's standard uncertainty, in micrometres."""
    assert standing.middle_um is not None
    profile, known = situation.profile, situation.known
    relative = profile.scale_u_um / profile.scale_um
    parts = [
        Value("scatter", standing.u_um, unit="µm"),
        Value(SCALE, relative * abs(standing.middle_um), unit="µm"),
    ]
    if known.seating_u_um is not None:
        parts.append(Value(SEATING, known.seating_u_um, unit="µm"))
    if known.climate_u_um:
        parts.append(Value(CLIMATE, known.climate_u_um, unit="µm"))
    return tuple(parts)


def learned(situation: Situation) -> tuple[Value, ...]:
    """Return what nudging has taught of the drive."""
    clockwise = situation.known.clockwise_is_outward
    return () if clockwise is None else (Value(CLOCKWISE, 1.0 if clockwise else -1.0),)


def _is_met(situation: Situation, standing: Standing) -> bool:
    return standing.middle_um is not None and abs(standing.middle_um) <= situation.options.goal_um


def _can_nudge(situation: Situation, standing: Standing) -> bool:
    # Without a number the side alone tells which way, and without that nobody knows.
    known = standing.middle_um is not None or standing.side is not None
    return known and situation.bench.nudges < situation.options.most_nudges


def _distance_um(standing: Standing) -> float:
    return math.inf if standing.middle_um is None else abs(standing.middle_um)
