"""The next nudge of the stepper's body: how far, which way round, and when to leave it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from app.analysis.reading import Quantity, Verdict
from app.analysis.verdict import judge_within

HAND_UM = 2.0
HAND_PART = 0.10
"""How far a hand misses, in µm of the head and as part of the nudge (common practice)."""
_PRIOR_U = 0.3
"""Standard uncertainty of the ratio of a nudge to what was asked, before the first."""
_LEAST_RATIO, _MOST_RATIO = 0.4, 2.5


class Turn(StrEnum):
    """Which way round the body goes, seen from its flange."""

    CLOCKWISE = "clockwise"
    COUNTER_CLOCKWISE = "counter-clockwise"

    @property
    def other(self) -> Turn:
        """The other way round."""
        clockwise = self is Turn.CLOCKWISE
        return Turn.COUNTER_CLOCKWISE if clockwise else Turn.CLOCKWISE


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
    ask_um: float
    body_deg: float
    flange_mm: float
    turn: Turn | None


class Nudging:
    """Plans nudges and learns from them.

    Parameters
    ----------
    shift_um_per_deg, flange_mm_per_deg : float
        Shift of the head and way of the flange's edge by one degree of the body.
    limit_um : float
        Distance from the aim within which the head is to end.
    aim_um : float
        Where the head is to go.
    """

    def __init__(
        self,
        *,
        shift_um_per_deg: float,
        flange_mm_per_deg: float,
        limit_um: float,
        aim_um: float = 0.0,
    ) -> None:
        self._shift_um_per_deg = shift_um_per_deg
        self._flange_mm_per_deg = flange_mm_per_deg
        self._limit_um = limit_um
        self._ratios: list[Quantity] = []
        self._best: Quantity | None = None
        self._outward: Turn | None = None
        self.aim_um = aim_um

    @property
    def best(self) -> Quantity | None:
        """The offset nearest to the aim so far."""
        return self._best

    @property
    def outward(self) -> Turn | None:
        """Which way round moves the head outward, once it is known."""
        return self._outward

    @property
    def ratio(self) -> Quantity:
        """How far a real nudge goes for each µm asked."""
        weights = [1.0 / _PRIOR_U**2, *(1.0 / ratio.u**2 for ratio in self._ratios)]
        values = [1.0, *(ratio.value for ratio in self._ratios)]
        mean = float(np.average(values, weights=weights))
        return Quantity(
            float(np.clip(mean, _LEAST_RATIO, _MOST_RATIO)), float(1.0 / np.sqrt(np.sum(weights)))
        )

    def aim_at(self, aim_um: float) -> None:
        """Set another aim, as far before the line as tightening will move the head; forgets best.

        The aim is the middle of the hysteresis less the creep that is expected.
        """
        self.aim_um = aim_um
        self._best = None

    def next(self, offset_um: Quantity) -> Nudge:
        """Return what to do at this offset, and hold the best so far.

        Parameters
        ----------
        offset_um : Quantity
            Signed, positive outward.
        """
        to_go_um = self.aim_um - offset_um.value
        if self._best is None or abs(to_go_um) < abs(self.aim_um - self._best.value):
            self._best = offset_um
        guard_um, limit_um = 2.0 * offset_um.u, self._limit_um
        if judge_within(to_go_um, guard_um, low=-limit_um, high=limit_um) is Verdict.PASS:
            return Nudge(Advice.LEAVE, to_go_um, 0.0, 0.0, 0.0, None)
        if abs(to_go_um) <= max(guard_um, min(HAND_UM, limit_um)):
            return Nudge(Advice.MEASURE, to_go_um, 0.0, 0.0, 0.0, None)
        ask_um = to_go_um / self.ratio.value
        degrees = abs(ask_um) / self._shift_um_per_deg
        turn = self._outward
        if turn is not None and ask_um < 0.0:
            turn = turn.other
        return Nudge(
            Advice.NUDGE, to_go_um, ask_um, degrees, degrees * self._flange_mm_per_deg, turn
        )

    def learn(
        self, asked_um: float, before: Quantity, after: Quantity, turned: Turn | None = None
    ) -> bool:
        """Learn from a nudge.

        Parameters
        ----------
        asked_um : float
            What was asked for.
        before, after : Quantity
            Offset before and after it.
        turned : Turn or None
            Which way round the person says to have turned; None where that is not told.

        Returns
        -------
        bool
            Whether the head went the way that was asked; a first try with the way round unknown may
            go either.
        """
        moved_um = after.value - before.value
        noise_um = float(np.hypot(before.u, after.u))
        told = abs(moved_um) > 3.0 * noise_um
        if turned is not None and told:
            self._outward = turned if moved_um > 0.0 else turned.other
        size_um = abs(asked_um)
        if told and size_um > HAND_UM:
            # What counts is how far, whichever way it went.
            ratio = float(np.clip(abs(moved_um) / size_um, _LEAST_RATIO, _MOST_RATIO))
            u = float(np.hypot(HAND_PART, np.hypot(HAND_UM, noise_um) / size_um))
            self._ratios.append(Quantity(ratio, u))
        return moved_um * asked_um > 0.0
