"""Locking: tightening moves what it locks, so it is watched, and backed off where it is too far."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

from app.analysis.bench.locking import LockFinding, creep_of, lock_of
from app.analysis.messages import fill
from app.analysis.reading import Quantity
from app.job import messages
from app.job.asking import Check, Hands, change, concluded, learn, on_alignment_track
from app.job.bench import MIDDLE, Situation
from app.job.budgets import guarding_u, offset_budget, total_u
from app.job.checks.nudging import Standing, bring_to, look, most_nudges
from app.job.judging import judge, near, offset_limit
from app.job.model import Action, Ask, Do, Limit, Outcome, Value, Verdict


def lock(situation: Situation) -> Check:
    """Tighten; loosen, set off by the creep and tighten again while it ends too far away."""
    yield from on_alignment_track(situation)
    lock_um = near(situation.profile, situation.options.lock_um)
    if situation.bench.loose is False and not situation.known.creeps_um:
        # Tight from a try that gave no number: tightening once more would tell of no creep.
        yield Do(Action.LOOSEN, messages.LOOSEN)
        change(situation, loose=True)
    start = yield from look(situation, "loose")
    if situation.known.creeps_um and start.middle_um is not None:
        # Done again: what tightening does is known already.
        start = yield from _set_off(situation, start.middle_um)
    while True:
        yield from _tighten(situation)
        end = yield from look(situation, f"tight {situation.bench.tightened}")
        if start.middle_um is None or end.middle_um is None:
            reason = start.reason or end.reason
            return concluded(situation, Verdict.UNDECIDED, unit="µm", reason=reason)
        finding = lock_of(start.middle_um, end.middle_um, limit_um=lock_um)
        learn(situation, creeps_um=(*situation.known.creeps_um, finding.moved_um))
        if abs(end.middle_um.value) <= lock_um or not _may_go_on(situation):
            break
        start = yield from _set_off(situation, end.middle_um)
    outcome = _outcome(situation, finding)
    if outcome.verdict is not Verdict.FAIL:
        yield Do(Action.SEAL, messages.SEAL)
    return outcome


def _tighten(situation: Situation) -> Hands:
    yield Do(Action.TIGHTEN, messages.TIGHTEN)
    bench = situation.bench
    # A tightening after the first is one more move of the adjustment.
    nudges = bench.nudges + (1 if bench.tightened else 0)
    change(situation, loose=False, tightened=bench.tightened + 1, nudges=nudges)


def _set_off(situation: Situation, middle_um: Quantity) -> Generator[Ask, Any, Standing]:
    """Loosen, and set the head off by as much as tightening is expected to move it."""
    creep = creep_of(situation.known.creeps_um)
    assert creep is not None
    if situation.bench.loose is not True:
        words = (f"{middle_um.value:+.1f}", f"{creep.value:+.1f}")
        yield Do(Action.LOOSEN, fill(messages.BACK_OFF, *words))
        change(situation, loose=True)
    start = yield from look(situation, f"loose {situation.bench.tightened}")
    goal_um = near(situation.profile, situation.options.preset_um)
    # The tightening that follows counts as one.
    start, _ = yield from bring_to(situation, start, -creep.value, goal_um, spare=1)
    return start


def _may_go_on(situation: Situation) -> bool:
    # A nudge and the tightening after it.
    return situation.bench.nudges + 2 <= most_nudges(situation)


def _outcome(situation: Situation, finding: LockFinding) -> Outcome:
    moved, end = finding.moved_um, finding.end_um
    whole = offset_limit(situation.profile, final=True)
    assert whole.low is not None
    assert whole.high is not None
    start_um = finding.start_um.value
    limit = Limit(whole.low - start_um, whole.high - start_um, "µm", whole.source)
    budget = offset_budget(situation, end.value, end.u)
    return concluded(
        situation,
        judge(end.value, guarding_u(budget), whole),
        value=moved.value,
        u=moved.u,
        unit="µm",
        limit=limit,
        reason=_reason(situation, end),
        details=(
            Value(MIDDLE, end.value, total_u(budget), "µm"),
            Value("tightenings", float(situation.bench.tightened)),
            Value("nudges", float(situation.bench.nudges)),
        ),
    )


def _reason(situation: Situation, end: Quantity) -> str:
    if abs(end.value) <= near(situation.profile, situation.options.lock_um):
        return ""
    return str(fill(messages.LOCKED_AWAY, situation.bench.nudges, f"{end.value:+.1f}"))
