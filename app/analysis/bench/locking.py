"""The watch over the screws from loose to tight, and what it teaches for the next time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from app.analysis.bench.arrival import Steadiness
from app.analysis.reading import Quantity, Verdict
from app.analysis.statistics.verdict import judge_within

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
    at_rest : bool
        Whether it rests.
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

    Parameters
    ----------
    start_um, end_um : Quantity
        Offset loose, and tight.
    limit_um, aim_um : float
        Distance from the aim within which the end is to be.
    at_rest : bool
        Whether the end rests.
    """
    moved_um = Quantity(end_um.value - start_um.value, float(np.hypot(start_um.u, end_um.u)))
    verdict = judge_within(
        end_um.value, 2.0 * end_um.u, low=aim_um - limit_um, high=aim_um + limit_um
    )
    return LockFinding(start_um, end_um, moved_um, verdict, at_rest, aim_um - moved_um.value)


def creep_of(moves_um: Sequence[Quantity]) -> Quantity | None:
    """Return how far the next tightening is likely to move the head, from former ones.

    Parameters
    ----------
    moves_um : sequence of Quantity
        ``moved_um`` of each lock of this drive; None comes back where there is none.
    """
    if not moves_um:
        return None
    values = np.array([move.value for move in moves_um])
    count = len(values)
    # The mean's own uncertainty, and that the next one scatters likewise.
    noise = float(np.mean([move.u**2 for move in moves_um]))
    variance = (CREEP_SD_UM**2 + noise) / count + CREEP_SD_UM**2
    return Quantity(float(values.mean()), float(np.sqrt(variance)))
