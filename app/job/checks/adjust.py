"""Adjusting: nudges until the middle of the hysteresis is on the track line."""

from __future__ import annotations

import math

from app.analysis.bench.nudging import Turn
from app.analysis.messages import fill
from app.job import messages
from app.job.asking import Check, change, concluded, on_alignment_track
from app.job.bench import Situation
from app.job.budgets import guarding_u, offset_budget, total_u
from app.job.checks.nudging import (
    Standing,
    bring_to,
    distance_um,
    look,
    most_nudges,
    outward_turn,
)
from app.job.judging import judge, near, offset_limit
from app.job.model import Action, Do, Outcome, Verdict

_OUTWARD = {
    Turn.CLOCKWISE: messages.OUTWARD_IS_CLOCKWISE,
    Turn.COUNTER_CLOCKWISE: messages.OUTWARD_IS_COUNTER_CLOCKWISE,
}


def adjust(situation: Situation) -> Check:
    """Loosen the screws, and nudge until the goal is met; a head that is there is left alone."""
    yield from on_alignment_track(situation)
    goal_um = near(situation.profile, situation.options.goal_um)
    standing = yield from look(situation, "before")
    if distance_um(standing, 0.0) <= goal_um and situation.bench.loose is not True:
        return _outcome(situation, standing, str(messages.HEAD_LEFT_ALONE))
    if situation.bench.loose is not True:
        yield Do(Action.LOOSEN, messages.LOOSEN)
        change(situation, loose=True)
        # Loosening may have moved what was locked under strain.
        standing = yield from look(situation, "loose")
    standing, best = yield from bring_to(situation, standing, 0.0, goal_um)
    reason = ""
    if situation.bench.nudges >= most_nudges(situation):
        best_um = distance_um(best, 0.0)
        reason = str(fill(messages.NUDGES_USED_UP, situation.bench.nudges, f"{best_um:.1f}"))
    elif goal_um < distance_um(standing, 0.0) < math.inf:
        reason = str(fill(messages.WITHIN_ITS_U, f"{distance_um(standing, 0.0):.1f}"))
    return _outcome(situation, standing, reason)


def _outcome(situation: Situation, standing: Standing, reason: str) -> Outcome:
    limit = offset_limit(situation.profile, final=True)
    middle = standing.middle_um
    if middle is None:
        far_off = standing.side is not None
        verdict = Verdict.FAIL if far_off else Verdict.UNDECIDED
        return concluded(situation, verdict, unit="µm", limit=limit, reason=standing.reason)
    budget = offset_budget(situation, middle.value, middle.u)
    return concluded(
        situation,
        judge(middle.value, guarding_u(budget), limit),
        value=middle.value,
        u=total_u(budget),
        unit="µm",
        limit=limit,
        reason=_with_turn(situation, reason),
        budget=budget,
    )


def _with_turn(situation: Situation, reason: str) -> str:
    """Return the reason, and which way round is outward, as far as that has been learned."""
    turn = outward_turn(situation)
    learned = "" if turn is None else str(_OUTWARD[turn])
    return "; ".join(filter(None, (reason, learned)))
