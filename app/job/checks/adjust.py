"""Adjust and lock: the stepper's body is turned until the middle of the hysteresis is at the aim.

Tightening moves what it locks: it is watched, and backed off where the head ends too far away.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from app.analysis.adjust.nudging import (
    Advice,
    LockFinding,
    Nudged,
    Rotation,
    creep_of,
    learn_from,
    lock_of,
    plan,
)
from app.analysis.budget import Part, combined_dof, combined_u
from app.analysis.messages import fill
from app.analysis.results import Measurement, Message, Quantity, Side, Verdict
from app.job import messages
from app.job.aims import READABLE_PART, Target, target_of
from app.job.budget import READING, scale_part
from app.job.checks.common import (
    Check,
    Hands,
    arrive,
    budget_here,
    by_budget,
    change,
    concluded,
    corrected_here,
    guard_here,
    is_far_off,
    judged_offset,
    learn,
    limit_here,
    lobes_of,
    measure_lobes,
    on_alignment_track,
    one_part,
    reasons_of,
    why_not,
    without_number,
)
from app.job.checks.prepare import seat_repeatedly
from app.job.checks.radial import arrive_from_both, compare_heads
from app.job.model import (
    INSISTED,
    MIDDLE,
    Action,
    AimKind,
    Ask,
    CheckName,
    Do,
    Limit,
    Outcome,
    Situation,
    Value,
)
from app.job.outcomes import passes_as_found
from app.job.verdicts import judge, near
from app.numbers import finely

_LEAST_TRIAL_UM = 20.0
_RELOCK_NUDGES = 2
_MOST_LOOKS = 3
"""So often it is measured where the head is, while nothing can be read."""
_ROUGH_UM = 10.0
"""Tightening shifts what it locks (common practice), by as much or more: nearer is not kept."""
SIGHT_PART = 0.25
"""Of the scale: with one head as near as that, both lobes of the other are seen, be it as far again
off to the same side."""


@dataclass(frozen=True, slots=True)
class Position:
    """Where the middle of the hysteresis is.

    Attributes
    ----------
    middle_um : Quantity or None
        Corrected; None where only the side is known, or nothing. u is the reading's own.
    side : Side or None
        The side on which the head is.
    reason : str
        Why there is no number.
    """

    middle_um: Quantity | None
    side: Side | None = None
    reason: str = ""


def look(situation: Situation, label: str) -> Generator[Ask, Any, Position]:
    """Measure where the head is, and tell from it where the middle is.

    The hysteresis is measured too where it is not known yet: it may have been out of reach with
    the head far off.
    """
    if situation.drive.arrived is None:
        yield from arrive(situation, Side.OUTWARD)
    measurement = yield from _measured(situation, label)
    lobes = lobes_of(situation.profile, measurement)
    if lobes is None:
        reading = measurement.reading
        side = reading.side if reading is not None and is_far_off(reading) else None
        return Position(None, side, why_not(measurement))
    if not lobes.signed:
        return Position(None, reason=str(messages.NO_SIGN))
    side = lobes.reading.side
    width = situation.known.hysteresis_um
    if width is None:
        arrivals = yield from arrive_from_both(situation, situation.options.arrivals)
        if arrivals.finding is None:
            return Position(None, side, arrivals.reason)
        return Position(corrected_here(situation, arrivals.finding.middle_um), side)
    rests_um = math.copysign(0.5, 1.0 if situation.drive.arrived is Side.OUTWARD else -1.0)
    parts = (
        Part(READING, lobes.offset_um.u, dof=lobes.offset_um.dof),
        Part(READING, width.u / 2.0, dof=width.dof),
    )
    middle_um = lobes.offset_um.value - rests_um * width.value
    found = Quantity(middle_um, combined_u(parts), combined_dof(parts))
    return Position(corrected_here(situation, found), side)


def _measured(situation: Situation, label: str) -> Generator[Ask, Any, Measurement]:
    """Measure the lobes; what hides them is asked to be put right, and they are measured again."""
    measurement: Measurement = yield measure_lobes(situation, label)
    for _ in range(_MOST_LOOKS - 1):
        is_seen = lobes_of(situation.profile, measurement) is not None
        reasons = reasons_of(measurement)
        if is_seen or is_far_off(measurement.reading) or not reasons:
            break
        # With the screws loose the step is not to end for what a hand puts right in a moment.
        yield Do(Action.CONFIRM, fill(messages.NOT_READ, reasons[0]))
        measurement = yield measure_lobes(situation, label)
    return measurement


def bring_to(
    situation: Situation, position: Position, aim_um: float, goal_um: float, *, spare: int = 0
) -> Generator[Ask, Any, tuple[Position, Position]]:
    """Nudge until the middle is within the goal of the aim; returns the last and the best.

    So many of the nudges as `spare` says are left for what follows.
    """
    best = position
    while situation.drive.nudges < most_nudges(situation) - spare:
        amount_um, turn = _next(situation, position, aim_um, goal_um)
        if not amount_um:
            break
        answer = yield Do(Action.NUDGE, _words(situation, turn, amount_um), amount=amount_um)
        situation.unseen = answer == INSISTED
        change(situation, nudges=situation.drive.nudges + 1)
        after = yield from look(situation, f"nudge {situation.drive.nudges}")
        if position.middle_um is not None and after.middle_um is not None:
            nudged = Nudged(amount_um, position.middle_um, after.middle_um, turn)
            learn(situation, nudged=(*situation.known.nudged, nudged))
        position = after
        best = min(best, position, key=lambda each: distance_um(each, aim_um))
    return position, best


def most_nudges(situation: Situation) -> int:
    """Return at how many nudges to stop: each time that the check is done again, as many more."""
    times = sum(each.check is situation.check for each in situation.outcomes)
    return situation.options.most_nudges * (1 + times)


def distance_um(position: Position, aim_um: float) -> float:
    """Return how far the middle is from where it is wanted."""
    return math.inf if position.middle_um is None else abs(position.middle_um.value - aim_um)


def outward_turn(situation: Situation) -> Rotation | None:
    """Return which way round is outward, once nudges have shown it."""
    return learn_from(situation.known.nudged).outward


def _words(situation: Situation, turn: Rotation | None, amount_um: float) -> Message:
    """Return the nudge in degrees of the stepper's body and in millimetres at its flange."""
    profile = situation.profile
    degrees = abs(amount_um) / profile.shift_um_per_deg
    words = (finely(degrees), finely(degrees * profile.flange_mm_per_deg))
    if turn is None:
        return fill(messages.NUDGE_TO_SEE, *words)
    if outward_turn(situation) is None:
        return fill(messages.NUDGE_TRIAL, *words)
    text = messages.NUDGE_CLOCKWISE if turn is Rotation.CLOCKWISE else messages.NUDGE_COUNTER
    return fill(text, *words, f"{abs(amount_um):.1f}")


def _next(
    situation: Situation, position: Position, aim_um: float, goal_um: float
) -> tuple[float, Rotation | None]:
    """Return the next nudge, 0 where none is called for, and which way round it is asked for."""
    profile, middle = situation.profile, position.middle_um
    if middle is None:
        # One lobe alone: nothing but the side is known, and that it is far. Without even that
        # nobody knows which way; and which way round a nudge went would not tell either.
        signs = {Side.OUTWARD: -1.0, Side.INWARD: 1.0, None: 0.0}
        return signs[position.side] * READABLE_PART * profile.scale_um, None
    advised = plan(
        middle,
        aim_um=aim_um,
        limit_um=goal_um,
        learned=learn_from(situation.known.nudged),
        shift_um_per_deg=profile.shift_um_per_deg,
        flange_mm_per_deg=profile.flange_mm_per_deg,
    )
    if advised.advice is not Advice.NUDGE:
        return 0.0, None
    if advised.turn is not None:
        return advised.ask_um, advised.turn
    # A trial goes clockwise, wherever that leads, and is to leave both lobes in sight.
    room_um = max(READABLE_PART * profile.scale_um - abs(middle.value), _LEAST_TRIAL_UM)
    amount_um = math.copysign(min(abs(advised.ask_um), room_um), advised.ask_um)
    return amount_um, Rotation.CLOCKWISE


_OUTWARD = {
    Rotation.CLOCKWISE: messages.OUTWARD_IS_CLOCKWISE,
    Rotation.COUNTER_CLOCKWISE: messages.OUTWARD_IS_COUNTER_CLOCKWISE,
}


def adjust(situation: Situation) -> Check:
    """Loosen the screws, and nudge until the head is near; one at the goal is left alone."""
    yield from on_alignment_track(situation)
    goal_um = near(situation.profile, situation.options.goal_um)
    position = yield from look(situation, "before")
    target = target_of(situation.profile, situation.aim, situation.known)
    if distance_um(position, target.um) <= goal_um and situation.drive.loose is not True:
        return _outcome(situation, position, str(messages.HEAD_LEFT_ALONE))
    if target.said is not None:
        yield Do(Action.CONFIRM, target.said)
    if situation.drive.loose is not True:
        is_better_left = situation.aim.kind is AimKind.DISK and passes_as_found(situation.outcomes)
        yield from _loosen(situation, messages.LEAVE_ALONE if is_better_left else messages.LOOSEN)
        # Loosening may have moved what was locked under strain.
        position = yield from look(situation, "loose")
    unseated, unseen = _seatings_were_unreadable(situation), _one_was_out_of_sight(situation)
    if unseated or unseen:
        coarse_um = SIGHT_PART * situation.profile.scale_um
        position, _ = yield from bring_to(situation, position, target.um, coarse_um)
    seated = ""
    if unseated and position.middle_um is not None:
        seated = yield from _seat_in_sight(situation)
        position = yield from look(situation, "seated")
    if unseen:
        target = yield from _with_both_in_sight(situation)
    # Tightening moves the head by more than a goal, and by how much shows once it has been done:
    # what nearer would take is left for then.
    is_locked_next = CheckName.LOCK in situation.to_come
    rough_um = max(goal_um, near(situation.profile, _ROUGH_UM)) if is_locked_next else goal_um
    position, best = yield from bring_to(situation, position, target.um, rough_um)
    reason = ""
    if situation.drive.nudges >= most_nudges(situation):
        best_um = distance_um(best, target.um)
        reason = str(fill(messages.NUDGES_USED_UP, situation.drive.nudges, f"{best_um:.1f}"))
    elif (away_um := distance_um(position, target.um)) > rough_um:
        reason = str(fill(messages.WITHIN_ITS_U, f"{away_um:.1f}"))
    elif away_um > goal_um:
        reason = str(fill(messages.LEFT_FOR_THE_LOCK, f"{away_um:.1f}"))
    return _outcome(situation, position, "; ".join(filter(None, (reason, seated))))


def _seatings_were_unreadable(situation: Situation) -> bool:
    """Tell whether the disk was seated as found, and the head was too far off to tell by it."""
    return situation.known.seating_u_um is None and any(
        (each.check, each.value) == (CheckName.SEATING, None)
        and each.verdict is not Verdict.SKIPPED
        for each in situation.outcomes
    )


def _seat_in_sight(situation: Situation) -> Generator[Ask, Any, str]:
    """Seat the disk again with the head near enough to tell; returns what is to be said of it."""
    seatings = yield from seat_repeatedly(situation)
    if seatings.finding is None:
        return seatings.reason
    error_um = f"{seatings.finding.standard_error_um:.1f}"
    return str(fill(messages.SEATED_IN_SIGHT, len(seatings.numbers), error_um))


def _one_was_out_of_sight(situation: Situation) -> bool:
    """Tell whether both heads were looked at as found, and one too far off to be compared."""
    looked = [
        each
        for each in situation.outcomes
        if each.check is CheckName.RADIAL and each.verdict is not Verdict.SKIPPED
    ]
    return (
        situation.known.apart_um is None
        and any(each.side == 1 for each in looked)
        and any(each.value is None for each in looked)
    )


def _with_both_in_sight(situation: Situation) -> Generator[Ask, Any, Target]:
    """Compare both heads; returns where the head is to go now.

    That is what it was where they are no better known than before.
    """
    for head in (0, 1):
        yield from on_alignment_track(situation, head)
        measurement: Measurement = yield measure_lobes(situation, f"side {head}")
        lobes = lobes_of(situation.profile, measurement)
        if lobes is not None and lobes.signed:
            compare_heads(situation, corrected_here(situation, lobes.offset_um))
    yield from on_alignment_track(situation)
    target = target_of(situation.profile, situation.aim, situation.known)
    if target.said is not None:
        yield Do(Action.CONFIRM, target.said)
    return target


def _outcome(situation: Situation, position: Position, reason: str) -> Outcome:
    limit = limit_here(situation)
    middle = position.middle_um
    if middle is None:
        verdict = Verdict.UNDECIDED if position.side is None else Verdict.FAIL
        return without_number(situation, limit, position.reason, verdict)
    # Which way round is outward stands by it, as far as that has been learned.
    turn = outward_turn(situation)
    learned = "" if turn is None else str(_OUTWARD[turn])
    said = "; ".join(filter(None, (reason, learned)))
    return judged_offset(situation, middle, limit, reason=said)


def lock(situation: Situation) -> Check:
    """Tighten; loosen, set off by the creep and tighten again while it ends too far away."""
    yield from on_alignment_track(situation)
    lock_um = near(situation.profile, situation.options.lock_um)
    preset_um = near(situation.profile, situation.options.preset_um)
    aim_um = target_of(situation.profile, situation.aim, situation.known).um
    if situation.drive.loose is False and not situation.known.creeps_um:
        # Tight from a try that gave no number: tightening once more would tell of no creep.
        yield from _loosen(situation)
    start = yield from look(situation, "loose")
    if situation.known.creeps_um and start.middle_um is not None:
        # Done again: what tightening does is known already.
        start = yield from _set_off(situation, start.middle_um, aim_um)
    while True:
        yield from _tighten(situation)
        end = yield from look(situation, f"tight {situation.drive.tightened}")
        if start.middle_um is None or end.middle_um is None:
            reason = start.reason or end.reason
            return concluded(situation, Verdict.UNDECIDED, unit="µm", reason=reason)
        finding = lock_of(start.middle_um, end.middle_um, limit_um=lock_um, aim_um=aim_um)
        learn(situation, creeps_um=(*situation.known.creeps_um, finding.moved_um))
        # Going on takes a nudge and the tightening after it. With the last two a head that is no
        # farther off than where it would be set off from is as likely to end farther off as nearer.
        left = most_nudges(situation) - situation.drive.nudges
        near_um = lock_um if left >= 2 * _RELOCK_NUDGES else max(lock_um, preset_um)
        if distance_um(end, aim_um) <= near_um or left < _RELOCK_NUDGES:
            break
        start = yield from _set_off(situation, end.middle_um, aim_um)
    outcome = _lock_outcome(situation, finding, lock_um, aim_um)
    if outcome.verdict is not Verdict.FAIL:
        yield Do(Action.SEAL, messages.SEAL)
    return outcome


def _loosen(situation: Situation, message: Message = messages.LOOSEN) -> Hands:
    yield Do(Action.LOOSEN, message)
    change(situation, loose=True)


def _tighten(situation: Situation) -> Hands:
    answer = yield Do(Action.TIGHTEN, messages.TIGHTEN)
    situation.unseen = answer == INSISTED
    drive = situation.drive
    # A tightening after the first is one more move of the adjustment.
    nudges = drive.nudges + (1 if drive.tightened else 0)
    change(situation, loose=False, tightened=drive.tightened + 1, nudges=nudges)


def _set_off(
    situation: Situation, middle_um: Quantity, aim_um: float
) -> Generator[Ask, Any, Position]:
    """Loosen, and set the head off by as much as tightening is expected to move it."""
    creep = creep_of(situation.known.creeps_um)
    assert creep is not None
    if situation.drive.loose is not True:
        words = (f"{middle_um.value - aim_um:+.1f}", f"{creep.value:+.1f}")
        yield from _loosen(situation, fill(messages.BACK_OFF, *words))
    start = yield from look(situation, f"loose {situation.drive.tightened}")
    goal_um = near(situation.profile, situation.options.preset_um)
    # The tightening that follows counts as one.
    start, _ = yield from bring_to(situation, start, aim_um - creep.value, goal_um, spare=1)
    return start


def _lock_outcome(
    situation: Situation, finding: LockFinding, lock_um: float, aim_um: float
) -> Outcome:
    end = finding.end_um
    own = one_part(READING, finding.moved_um, "µm")
    of_scale = scale_part(situation.profile, finding.moved_um.value)
    moved = replace(own, parts=(*own.parts, of_scale))
    whole = limit_here(situation)
    assert whole.low is not None
    assert whole.high is not None
    start_um = finding.start_um.value
    limit = Limit(whole.low - start_um, whole.high - start_um, "µm", whole.source)
    budget = budget_here(situation, end)
    guard = guard_here(situation, budget)
    nudges, said = situation.drive.nudges, []
    verdict = judge(guard.value, guard.expanded_u, whole)
    if abs(end.value - aim_um) > lock_um:
        said.append(fill(messages.LOCKED_AWAY, nudges, f"{end.value - aim_um:+.1f}"))
    if verdict is Verdict.UNDECIDED:
        ends = (f"{each:+.1f}" for each in (whole.low, whole.high))
        place = (f"{guard.value:+.1f}", f"{guard.expanded_u:.1f}")
        said.append(fill(messages.LOCKED_UNSURE, *place, *ends))
    return concluded(
        situation,
        verdict,
        **by_budget(moved),
        unit="µm",
        limit=limit,
        reason="; ".join(map(str, said)),
        conformity=guard.conformity(whole.low, whole.high),
        details=(
            Value.of(MIDDLE, budget.covering, "µm"),
            Value("tightenings", float(situation.drive.tightened)),
            Value("nudges", float(nudges)),
        ),
    )
