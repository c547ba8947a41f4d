"""Nudging the stepper's body to the line, and locking it there.

From an offset follows the next nudge: how far, which way round, and when to leave it. Nudges made
teach how far a hand really goes. While the screws are tightened :class:`LockWatch` follows the
offset, and former locks teach how far the head creeps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from app.analysis.adjust.positioner import Steadiness
from app.analysis.results import Quantity, Verdict
from app.analysis.uncertainty import covering, effective_dof, judge_within

HAND_UM = 2.0
HAND_PART = 0.10
"""How far a hand misses, in µm of the head and as part of the nudge (common practice)."""
_PRIOR_U = 0.3
"""Standard uncertainty of the ratio of a nudge to what was asked, before the first."""
_MIN_RATIO, _MAX_RATIO = 0.4, 2.5
_SURE_SIGMAS = 3.0
"""A change of the offset of so many standard deviations shows which way the head went."""


class Rotation(StrEnum):
    """Which way round the body goes, seen from its flange."""

    CLOCKWISE = "clockwise"
    COUNTER_CLOCKWISE = "counter-clockwise"

    @property
    def other(self) -> Rotation:
        """The other way round."""
        clockwise = self is Rotation.CLOCKWISE
        return Rotation.COUNTER_CLOCKWISE if clockwise else Rotation.CLOCKWISE


@dataclass(frozen=True, slots=True)
class Nudged:
    """A nudge that was made: asked for in µm of the head, positive outward.

    ``turned`` is None where it is not known which way round the body went.
    """

    asked_um: float
    before_um: Quantity
    after_um: Quantity
    turned: Rotation | None = None

    @property
    def moved_um(self) -> Quantity:
        """How far the head went, positive outward."""
        u = float(np.hypot(self.before_um.u, self.after_um.u))
        return Quantity(self.after_um.value - self.before_um.value, u)

    @property
    def is_certain(self) -> bool:
        """Whether the head has moved beyond doubt."""
        return abs(self.moved_um.value) > _SURE_SIGMAS * self.moved_um.u

    @property
    def went_wrong_way(self) -> bool:
        """Whether the head has gone the other way than was asked, beyond doubt."""
        return self.is_certain and self.moved_um.value * self.asked_um < 0.0


@dataclass(frozen=True, slots=True)
class Learned:
    """What nudges have taught.

    ``ratio`` is how far a real nudge goes for each µm asked; ``outward`` which way round moves the
    head outward, once that is known.
    """

    ratio: Quantity
    outward: Rotation | None


class Advice(StrEnum):
    """What to do next."""

    LEAVE = "leave"
    """It is within the limit, uncertainty included."""
    NUDGE = "nudge"
    MEASURE = "measure"
    """What is left is below the uncertainty or a hand's reach; another nudge would be a guess."""


@dataclass(frozen=True, slots=True)
class Nudge:
    """The next nudge.

    Attributes
    ----------
    to_go_um : float
        From here to the aim, positive outward.
    ask_um : float
        What to ask the hand for, in µm of the head, positive outward: what is to go, corrected by
        how far real nudges went; 0 when it is not to nudge.
    body_deg, flange_mm : float
        The same as degrees of the body and millimetres at its flange, without sign.
    turn : Rotation or None
        Which way round; None until it has been learned.
    """

    advice: Advice
    to_go_um: float
    ask_um: float = 0.0
    body_deg: float = 0.0
    flange_mm: float = 0.0
    turn: Rotation | None = None


def learn_from(nudges: Sequence[Nudged]) -> Learned:
    """Return what the nudges so far teach."""
    ratios = [Quantity(1.0, _PRIOR_U)]
    clockwise_um = 0.0
    for one in nudges:
        moved_um, size_um = one.moved_um, abs(one.asked_um)
        if not one.is_certain:
            continue
        if one.turned is not None:
            clockwise_um += moved_um.value * (1.0 if one.turned is Rotation.CLOCKWISE else -1.0)
        if size_um > HAND_UM:
            # How far it went counts, whichever way: the first may be a try.
            ratio = float(np.clip(abs(moved_um.value) / size_um, _MIN_RATIO, _MAX_RATIO))
            u = float(np.hypot(HAND_PART, np.hypot(HAND_UM, moved_um.u) / size_um))
            ratios.append(Quantity(ratio, u))
    weights = np.array([ratio.u**-2 for ratio in ratios])
    mean = float(np.average([ratio.value for ratio in ratios], weights=weights))
    return Learned(Quantity(mean, float(np.sum(weights) ** -0.5)), _outward(clockwise_um))


def _outward(clockwise_um: float) -> Rotation | None:
    """Return which way round is outward, from how far turning clockwise moved the head in all."""
    # A hand may slip by more than a small nudge: that one alone shows nothing.
    if abs(clockwise_um) < _SURE_SIGMAS * HAND_UM:
        return None
    return Rotation.CLOCKWISE if clockwise_um > 0.0 else Rotation.COUNTER_CLOCKWISE


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
    shift_um_per_deg, flange_mm_per_deg : float
        Shift of the head and way of the flange's edge by one degree of the body.
    """
    to_go_um = aim_um - offset_um.value
    guard_um = 2.0 * covering(offset_um).u
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
    """Return which offset is the nearest to the aim; None where there are none."""
    if not offsets_um:
        return None
    return int(np.argmin([abs(offset.value - aim_um) for offset in offsets_um]))


CREEP_SD_UM = 1.7
"""Standard deviation with which tightening the same drive again moves it differently: ±3 µm,
rectangular (common practice)."""
_STRETCH_S = 1.0
_REST_UM = 1.0


class LockAdvice(StrEnum):
    """What to do with the screws."""

    WAIT = "wait"
    """The start is not known yet: leave the screws loose and the hand off."""
    GO_ON = "go on"
    """Tighten, or tighten further."""
    BACK_OFF = "back off"
    """It has gone beyond the limit: loosen, pre-set, tighten again."""
    DONE = "done"
    """It is tight, at rest and not beyond the limit."""


@dataclass(frozen=True, slots=True)
class LockFinding:
    """How far tightening has moved the head.

    Attributes
    ----------
    start_um, end_um : Quantity
        Offset loose, and now.
    moved_um : Quantity
        The creep: end less start, positive outward.
    verdict : Verdict
        Of the end against the limit about the aim.
    preset_um : float
        Where to set the head before tightening, so that it ends at the aim if it moves alike.
    """

    start_um: Quantity
    end_um: Quantity
    moved_um: Quantity
    verdict: Verdict
    at_rest: bool
    preset_um: float


class LockWatch:
    """Follows the offset from loose to tight; it has no clock, times are passed in.

    Parameters
    ----------
    limit_um : float
        Distance from the aim within which the head is to end.
    aim_um : float
        Where the head is to be once it is locked: the middle of the hysteresis.
    """

    def __init__(self, *, limit_um: float, aim_um: float = 0.0) -> None:
        self._limit_um = limit_um
        self._aim_um = aim_um
        self._steady = Steadiness(_STRETCH_S, _REST_UM)
        self._start_um: Quantity | None = None
        self._tight = False
        self.finding: LockFinding | None = None

    @property
    def advice(self) -> LockAdvice:
        """What to do."""
        finding = self.finding
        if finding is None:
            return LockAdvice.WAIT
        ended = self._tight and finding.at_rest
        if finding.verdict is Verdict.FAIL:
            # A start pre-set against the creep may be beyond the limit itself.
            before_um = abs(finding.start_um.value - self._aim_um)
            worse = abs(finding.end_um.value - self._aim_um) > before_um + 2.0 * finding.moved_um.u
            return LockAdvice.BACK_OFF if ended or worse else LockAdvice.GO_ON
        return LockAdvice.DONE if ended else LockAdvice.GO_ON

    def push(self, offset_um: Quantity, now_s: float) -> LockFinding | None:
        """Take the newest offset; returns the finding, None until the start is at rest.

        Parameters
        ----------
        offset_um : Quantity
            Of a valid reading, signed; u without what all readings share.
        now_s : float
            Monotonic time.
        """
        rests = self._steady.push(offset_um, now_s)
        if self._start_um is None:
            if not rests:
                return None
            self._start_um = self._steady.mean_um
        end_um = self._steady.mean_um if rests else offset_um
        if self._start_um is None or end_um is None:
            return None
        self.finding = lock_of(
            self._start_um, end_um, limit_um=self._limit_um, aim_um=self._aim_um, at_rest=rests
        )
        return self.finding

    def tightened(self) -> None:
        """Note that the person says the screws are tight; rest counts from here."""
        self._tight = True
        self._steady.forget()
        if self.finding is not None:
            self.finding = replace(self.finding, at_rest=False)


def lock_of(
    start_um: Quantity,
    end_um: Quantity,
    *,
    limit_um: float,
    aim_um: float = 0.0,
    at_rest: bool = True,
) -> LockFinding:
    """Return how far tightening moved the head, from an offset loose and one tight.

    The end is judged by its distance from the aim, which is to be within the limit.
    """
    parts = [(end_um.u, end_um.dof or math.inf), (start_um.u, start_um.dof or math.inf)]
    u_um, dof = math.hypot(start_um.u, end_um.u), effective_dof(parts)
    moved_um = Quantity(end_um.value - start_um.value, u_um, dof if math.isfinite(dof) else None)
    guard_um = 2.0 * covering(end_um).u
    verdict = judge_within(end_um.value, guard_um, low=aim_um - limit_um, high=aim_um + limit_um)
    return LockFinding(start_um, end_um, moved_um, verdict, at_rest, aim_um - moved_um.value)


def creep_of(moves_um: Sequence[Quantity]) -> Quantity | None:
    """Return how far the next tightening is likely to move the head, None without former ones.

    Those are the ``moved_um`` of each lock of this drive.
    """
    if not moves_um:
        return None
    values = np.array([move.value for move in moves_um])
    count = len(values)
    # The mean's own uncertainty, and that the next one scatters likewise.
    noise = float(np.mean([move.u**2 for move in moves_um]))
    variance = (CREEP_SD_UM**2 + noise) / count + CREEP_SD_UM**2
    return Quantity(float(values.mean()), float(np.sqrt(variance)))
