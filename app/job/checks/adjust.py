"""Adjusting: nudges until the middle of the hysteresis is on the track line."""

from __future__ import annotations

from app.analysis.messages import fill
from app.job import messages
from app.job.asking import Check, change, concluded, on_alignment_track
from app.job.bench import Situation
from app.job.budgets import guarding_u, offset_budget, total_u
from app.job.checks.nudging import Standing, bring_to, distance_um, look, outward_turn
from app.job.judging import judge, offset_limit
from app.job.model import Action, Do, Outcome, Value, Verdict


def adjust(situation: Situation) -> Check:
    """Loosen the screws, and nudge until the goal is met."""
    yield from on_alignment_track(situation)
    if situation.bench.loose is not True:
        yield Do(Action.LOOSEN, messages.LOOSEN)
        change(situation, loose=True)
    standing = yield from look(situation, "before")
    standing, best = yield from bring_to(situation, standing, 0.0, situation.options.goal_um)
    return _outcome(situation, standing, best)


def _outcome(situation: Situation, standing: Standing, best: Standing) -> Outcome:
    limit = offset_limit(situation.profile, final=True)
    middle = standing.middle_um
    if middle is None:
        far_off = standing.side is not None
        verdict = Verdict.FAIL if far_off else Verdict.UNDECIDED
        return concluded(situation, verdict, unit="µm", limit=limit, reason=standing.reason)
    budget = offset_budget(situation, middle.value, middle.u)
    reason = ""
    if situation.bench.nudges >= situation.options.most_nudges:
        best_um = distance_um(best, 0.0)
        reason = str(fill(messages.NUDGES_USED_UP, situation.bench.nudges, f"{best_um:.1f}"))
    return concluded(
        situation,
        judge(middle.value, guarding_u(budget), limit),
        value=middle.value,
        u=total_u(budget),
        unit="µm",
        limit=limit,
        reason=reason,
        details=turn_learned(situation),
        budget=budget,
    )


def turn_learned(situation: Situation) -> tuple[Value, ...]:
    """Return which way round the body goes outward, as far as it has been learned."""
    turn = outward_turn(situation)
    return () if turn is None else (Value(f"outward is {turn}", 1.0),)
