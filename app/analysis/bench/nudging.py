"""The next nudge of the stepper's body: how far, which way round, and when to leave it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from app.analysis.reading import Quantity, Verdict
from app.analysis.statistics.verdict import judge_within

HAND_UM = 2.0
HAND_PART = 0.10
"""How far a hand misses, in µm of the head and as part of the nudge (common practice)."""
_PRIOR_U = 0.3
"""Standard uncertainty of the ratio of a nudge to what was asked, before the first."""
_LEAST_RATIO, _MOST_RATIO = 0.4, 2.5
_TOLD_SIGMAS = 3.0
"""A change of the offset of so many standard deviations tells which way the head went."""


class Turn(StrEnum):
    """Which way round the body goes, seen from its flange."""

    CLOCKWISE = "clockwise"
    COUNTER_CLOCKWISE = "counter-clockwise"

    @property
    def other(self) -> Turn:
        """The other way round."""
        clockwise = self is Turn.CLOCKWISE
        return Turn.COUNTER_CLOCKWISE if clockwise else Turn.CLOCKWISE


@dataclass(frozen=True, slots=True)
class Nudged:
    """A nudge that was made.

    Attributes
    ----------
    asked_um : float
        What was asked for, in µm of the head, positive outward.
    before_um, after_um : Quantity
        Offset before and after it.
    turned : Turn or None
        Which way round the body was turned; None where that is not told.
    """

    asked_um: float
    before_um: Quantity
    after_um: Quantity
    turned: Turn | None = None

    @property
    def moved_um(self) -> Quantity:
        """How far the head went, positive outward."""
        u = float(np.hypot(self.before_um.u, self.after_um.u))
        return Quantity(self.after_um.value - self.before_um.value, u)

    @property
    def is_told(self) -> bool:
        """Whether the head has moved beyond doubt."""
        return abs(self.moved_um.value) > _TOLD_SIGMAS * self.moved_um.u

    @property
    def went_wrong_way(self) -> bool:
        """Whether the head has gone the other way than was asked, beyond doubt."""
        return self.is_told and self.moved_um.value * self.asked_um < 0.0


@dataclass(frozen=True, slots=True)
class Learned:
    """What nudges have taught.

    Attributes
    ----------
    ratio : Quantity
        How far a real nudge goes for each µm asked.
    outward : Turn or None
        Which way round moves the head outward, once it is known.
    """

    ratio: Quantity
    outward: Turn | None


class Advice(StrEnum):
    """What to do next."""

    LEAVE = "leave"
    """It is within the limit, uncertainty included."""
    NUDGE = "nudge"
    MEASURE = "measure"
    """What is left is below the uncertainty or a hand's reach; another nudge would be a guess."""


@dataclass(frozen=True, slots=True)
class Nudge:
    """What is advised.

    Attributes
    ----------
    advice : Advice
        What to do.
    to_go_um : float
        From here to the aim, positive outward.
    ask_um : float
        What to ask the hand for, in µm of the head, positive outward: what is to go, corrected by
        how far real nudges went; 0 when it is not to nudge.
    body_deg, flange_mm : float
        The same as degrees of the body and millimetres at its flange, without sign.
    turn : Turn or None
        Which way round; None until it has been learned.
    """

    advice: Advice
    to_go_um: float
    ask_um: float = 0.0
    body_deg: float = 0.0
    flange_mm: float = 0.0
    turn: Turn | None = None


def learn(nudges: Sequence[Nudged]) -> Learned:
    """Return what the nudges so far teach, in their order."""
    ratios = [Quantity(1.0, _PRIOR_U)]
    clockwise_um = 0.0
    for one in nudges:
        moved_um, size_um = one.moved_um, abs(one.asked_um)
        if not one.is_told:
            continue
        if one.turned is not None:
            clockwise_um += moved_um.value * (1.0 if one.turned is Turn.CLOCKWISE else -1.0)
        if size_um > HAND_UM:
            # How far it went counts, whichever way: the first may be a try.
            ratio = float(np.clip(abs(moved_um.value) / size_um, _LEAST_RATIO, _MOST_RATIO))
            u = float(np.hypot(HAND_PART, np.hypot(HAND_UM, moved_um.u) / size_um))
            ratios.append(Quantity(ratio, u))
    weights = np.array([ratio.u**-2 for ratio in ratios])
    mean = float(np.average([ratio.value for ratio in ratios], weights=weights))
    return Learned(Quantity(mean, float(np.sum(weights) ** -0.5)), _outward(clockwise_um))


def _outward(clockwise_um: float) -> Turn | None:
    """Return which way round is outward, from how far turning clockwise moved the head in all."""
    # A hand may slip by more than a small nudge: that one alone tells nothing.
    if abs(clockwise_um) < _TOLD_SIGMAS * HAND_UM:
        return None
    return Turn.CLOCKWISE if clockwise_um > 0.0 else Turn.COUNTER_CLOCKWISE


def plan(
    offset_um: Quantity,
    *,
    aim_um: float,
    limit_um: float,
    learned: Learned,
    shift_um_per_deg: float,
    flange_mm_per_deg: float,
) -> Nudge:
    """Return what to do at an offset.

    Parameters
    ----------
    offset_um : Quantity
        Signed, positive outward.
    aim_um : float
        Where the head is to go: the middle, less the creep that tightening is expected to add.
    limit_um : float
        Distance from the aim within which the head is to end.
    learned : Learned
        From the nudges so far.
    shift_um_per_deg, flange_mm_per_deg : float
        Shift of the head and way of the flange's edge by one degree of the body.
    """
    to_go_um = aim_um - offset_um.value
    guard_um = 2.0 * offset_um.u
    if judge_within(to_go_um, guard_um, low=-limit_um, high=limit_um) is Verdict.PASS:
        return Nudge(Advice.LEAVE, to_go_um)
    if abs(to_go_um) <= max(guard_um, min(HAND_UM, limit_um)):
        return Nudge(Advice.MEASURE, to_go_um)
    ask_um = to_go_um / learned.ratio.value
    degrees = abs(ask_um) / shift_um_per_deg
    turn = learned.outward
    if turn is not None and ask_um < 0.0:
        turn = turn.other
    return Nudge(Advice.NUDGE, to_go_um, ask_um, degrees, degrees * flange_mm_per_deg, turn)


def nearest(offsets_um: Sequence[Quantity], aim_um: float) -> int | None:
    """Return which offset is the nearest to the aim, the best so far; None of none."""
    if not offsets_um:
        return None
    return int(np.argmin([abs(offset.value - aim_um) for offset in offsets_um]))
