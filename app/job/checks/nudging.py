"""Turning the stepper's body until the middle of the hysteresis is where it is wanted."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from app.analysis.bench.nudging import Advice, Nudged, Turn, plan
from app.analysis.bench.nudging import learn as learn_from
from app.analysis.findings import Measurement
from app.analysis.messages import fill
from app.analysis.reading import Message, Quantity, Side
from app.job import messages
from app.job.asking import arrive, change, learn, take_lobes, why_not
from app.job.bench import Situation
from app.job.checks.hysteresis import arrive_from_both
from app.job.lobes import lobes_of
from app.job.model import Action, Ask, Do

_SAFE_PART = 0.8
"""Of the scale: within it both lobes are seen."""
_LEAST_TRIAL_UM = 20.0


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the middle of the hysteresis stands.

    Attributes
    ----------
    middle_um : Quantity or None
        None where only the side is known, or nothing; u without that of the disk's scale.
    side : Side or None
        The side on which the head stands.
    reason : str
        Why there is no number.
    """

    middle_um: Quantity | None
    side: Side | None = None
    reason: str = ""


def look(situation: Situation, label: str) -> Generator[Ask, Any, Standing]:
    """Measure where the head is, and tell from it where the middle is.

    The hysteresis is measured too where it is not known yet: it may have been out of reach with
    the head far off.
    """
    if situation.bench.arrived is None:
        yield from arrive(situation, Side.OUTWARD)
    measurement: Measurement = yield take_lobes(situation, label)
    lobes = lobes_of(situation.profile, measurement)
    if lobes is None:
        reading = measurement.reading
        return Standing(None, None if reading is None else reading.side, why_not(measurement))
    if not lobes.signed:
        return Standing(None, reason=str(messages.NO_SIGN))
    side = lobes.reading.side
    width = situation.known.hysteresis_um
    if width is None:
        arrivals = yield from arrive_from_both(situation, situation.options.arrivals)
        if arrivals.finding is None:
            return Standing(None, side, arrivals.reason)
        return Standing(arrivals.finding.middle_um, side)
    rests_um = math.copysign(0.5, 1.0 if situation.bench.arrived is Side.OUTWARD else -1.0)
    u_um = math.hypot(lobes.offset_um.u, width.u / 2.0)
    return Standing(Quantity(lobes.offset_um.value - rests_um * width.value, u_um), side)


def bring_to(
    situation: Situation, standing: Standing, aim_um: float, goal_um: float, *, spare: int = 0
) -> Generator[Ask, Any, tuple[Standing, Standing]]:
    """Nudge until the middle is within the goal of the aim; returns the last and the best.

    So many of the nudges as `spare` says are left for what follows.
    """
    best = standing
    while situation.bench.nudges < most_nudges(situation) - spare:
        amount_um, turn = _next(situation, standing, aim_um, goal_um)
        if not amount_um:
            break
        yield Do(Action.NUDGE, _words(situation, turn, amount_um), amount=amount_um)
        change(situation, nudges=situation.bench.nudges + 1)
        after = yield from look(situation, f"nudge {situation.bench.nudges}")
        if standing.middle_um is not None and after.middle_um is not None:
            nudged = Nudged(amount_um, standing.middle_um, after.middle_um, turn)
            learn(situation, nudged=(*situation.known.nudged, nudged))
        standing = after
        best = min(best, standing, key=lambda each: distance_um(each, aim_um))
    return standing, best


def most_nudges(situation: Situation) -> int:
    """Return at how many nudges to stop: each time that the check is done again, as many more."""
    times = sum(each.check is situation.check for each in situation.outcomes)
    return situation.options.most_nudges * (1 + times)


def distance_um(standing: Standing, aim_um: float) -> float:
    """Return how far the middle is from where it is wanted."""
    return math.inf if standing.middle_um is None else abs(standing.middle_um.value - aim_um)


def outward_turn(situation: Situation) -> Turn | None:
    """Return which way round is outward, once nudges have told."""
    return learn_from(situation.known.nudged).outward


def _words(situation: Situation, turn: Turn | None, amount_um: float) -> Message:
    """Return the nudge in degrees of the stepper's body and in millimetres at its flange."""
    profile = situation.profile
    degrees = abs(amount_um) / profile.shift_um_per_deg
    words = (f"{degrees:.2f}", f"{degrees * profile.flange_mm_per_deg:.2f}")
    if turn is None:
        return fill(messages.NUDGE_TO_SEE, *words)
    if outward_turn(situation) is None:
        return fill(messages.NUDGE_TRIAL, *words)
    text = messages.NUDGE_CLOCKWISE if turn is Turn.CLOCKWISE else messages.NUDGE_COUNTER
    return fill(text, *words, f"{abs(amount_um):.1f}")


def _next(
    situation: Situation, standing: Standing, aim_um: float, goal_um: float
) -> tuple[float, Turn | None]:
    """Return the next nudge, 0 where none is called for, and which way round it is asked for."""
    profile, middle = situation.profile, standing.middle_um
    if middle is None:
        # One lobe alone: nothing but the side is known, and that it is far. Without even that
        # nobody knows which way; and which way round a nudge went would not tell either.
        signs = {Side.OUTWARD: -1.0, Side.INWARD: 1.0, None: 0.0}
        return signs[standing.side] * _SAFE_PART * profile.scale_um, None
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
    room_um = max(_SAFE_PART * profile.scale_um - abs(middle.value), _LEAST_TRIAL_UM)
    amount_um = math.copysign(min(abs(advised.ask_um), room_um), advised.ask_um)
    return amount_um, Turn.CLOCKWISE
