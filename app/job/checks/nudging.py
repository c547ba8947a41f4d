"""Turning the stepper's body until the middle of the hysteresis is where it is wanted."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from app.analysis.findings import Measurement
from app.analysis.messages import fill
from app.analysis.reading import Message, Side, Sign
from app.job import messages
from app.job.asking import arrive, change, take_lobes, why_not
from app.job.bench import Situation
from app.job.checks.hysteresis import both_arrivals, width_and_middle
from app.job.model import Action, Ask, Do

_SAFE_PART = 0.8
"""Of the scale: within it both lobes are seen."""
_LEAST_TRIAL_UM = 20.0


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the middle of the hysteresis stands.

    Attributes
    ----------
    middle_um : float or None
        None where only the side is known, or nothing.
    u_um : float
        Its standard uncertainty by the scatter alone.
    side : Side or None
        The side on which the head stands.
    reason : str
        Why there is no number.
    """

    middle_um: float | None
    u_um: float = 0.0
    side: Side | None = None
    reason: str = ""


def look(situation: Situation, label: str) -> Generator[Ask, Any, Standing]:
    """Measure where the head is, and tell from it where the middle is."""
    if situation.bench.arrived is None:
        yield from arrive(situation, Side.OUTWARD)
    standing = yield from _look_once(situation, label)
    if standing.middle_um is not None and situation.known.hysteresis_um is None:
        # It could not be measured before, with the head so far off, or was not asked for.
        outside_um, inside_um, _ = yield from both_arrivals(situation, 1)
        if outside_um and inside_um:
            width, middle = width_and_middle(outside_um, inside_um)
            situation.known = replace(situation.known, hysteresis_um=width)
            return replace(standing, middle_um=middle.value, u_um=middle.u)
    return standing


def _look_once(situation: Situation, label: str) -> Generator[Ask, Any, Standing]:
    measurement: Measurement = yield take_lobes(situation, label)
    reading = measurement.reading
    if reading is None or not reading.valid or reading.offset_um is None:
        side = None if reading is None else reading.side
        return Standing(None, 0.0, side, why_not(measurement))
    if reading.sign is Sign.UNKNOWN:
        return Standing(None, reason=str(messages.NO_SIGN))
    assert reading.balance is not None
    width = situation.known.hysteresis_um
    half_um = 0.0 if width is None else width.value / 2.0
    half_u_um = 0.0 if width is None else width.u / 2.0
    rests_um = half_um if situation.bench.arrived is Side.OUTWARD else -half_um
    u_um = math.hypot(situation.profile.scale_um * reading.balance.u, half_u_um)
    return Standing(reading.offset_um.value - rests_um, u_um, reading.side)


def nudge(
    situation: Situation, standing: Standing, target_um: float
) -> Generator[Ask, Any, Standing]:
    """Ask for one nudge towards the target, and return where that led."""
    amount_um = _amount_um(situation, standing, target_um)
    trial = situation.known.clockwise_is_outward is None
    yield Do(Action.NUDGE, nudge_message(situation, amount_um), amount=amount_um)
    change(situation, nudges=situation.bench.nudges + 1)
    after = yield from look(situation, f"nudge {situation.bench.nudges}")
    if trial and standing.middle_um is not None and after.middle_um is not None:
        outward = after.middle_um > standing.middle_um
        situation.known = replace(situation.known, clockwise_is_outward=outward)
    return after


def nudge_message(situation: Situation, amount_um: float) -> Message:
    """Return the nudge in degrees of the stepper's body and in millimetres at its flange."""
    profile = situation.profile
    degrees = abs(amount_um) / profile.shift_um_per_deg
    words = (f"{degrees:.2f}", f"{degrees * profile.flange_mm_per_deg:.2f}")
    clockwise = situation.known.clockwise_is_outward
    if clockwise is None:
        return fill(messages.NUDGE_TRIAL, *words)
    text = messages.NUDGE_CLOCKWISE if clockwise == (amount_um > 0) else messages.NUDGE_COUNTER
    return fill(text, *words, f"{abs(amount_um):.1f}")


def _amount_um(situation: Situation, standing: Standing, target_um: float) -> float:
    scale_um = situation.profile.scale_um
    if standing.middle_um is None:
        # One lobe alone: nothing but the side is known, and that it is far.
        far_um = scale_um * _SAFE_PART
        return -far_um if standing.side is Side.OUTWARD else far_um
    amount_um = target_um - standing.middle_um
    if situation.known.clockwise_is_outward is None:
        room_um = max(_SAFE_PART * scale_um - abs(standing.middle_um), _LEAST_TRIAL_UM)
        amount_um = math.copysign(min(abs(amount_um), room_um), amount_um)
    return amount_um
