"""The balance at the speed of the hand: one lobe tells it while the sum of both holds."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from app.analysis.pattern.balance import Heights, balance_of, balance_u
from app.analysis.reading import Quantity

_SUM_GAIN = 0.35
_SUM_PART = 0.02
_SUM_SIGMAS = 4.0
"""The sum of two neighbours differs from the tracked one by less than this, or it does not hold
at this moment: the hand moves (then it is too large and too small in turn) or the gain changed
(then it stays on one side)."""
_JUMP_RUN = 2
_QUIET_U = 0.012
"""Balances are averaged until their standard uncertainty is below this, or up to _MOST of them."""
_MOST = 10
_FLOOR = 5e-4


@dataclass(frozen=True, slots=True)
class LiveBalance:
    """What the newest lobes say.

    Attributes
    ----------
    heights : Heights
        Both heights and the balance.
    from_one_lobe : bool
        The newest lobe alone moved the balance.
    sum_jumped : bool
        The tracked sum was given up: pairs are read until it has been found again.
    """

    heights: Heights
    from_one_lobe: bool
    sum_jumped: bool


class BalanceTracker:
    """Follows the balance lobe by lobe.

    Parameters
    ----------
    pairs : int
        Pairs of lobes a turn: with several, neighbours are close in time and are read as pairs.
    """

    def __init__(self, pairs: int) -> None:
        self._pairs = pairs
        self._heights: tuple[deque[Quantity], deque[Quantity]] = (
            deque(maxlen=max(1, pairs // 2)),
            deque(maxlen=max(1, pairs // 2)),
        )
        self._sum: Quantity | None = None
        self._total: Quantity | None = None
        self._run = 0
        self._jumped = False
        self._settled = 0
        self._recent: deque[Quantity] = deque(maxlen=_MOST)

    def push(self, which: int, height: Quantity) -> LiveBalance | None:
        """Take the next lobe: `which` is 0 for a first, 1 for a second lobe."""
        self._heights[which].append(height)
        other = self._heights[1 - which]
        if not other:
            return None
        newest = _mean(self._heights[which])
        first, second = (newest, _mean(other)) if which == 0 else (_mean(other), newest)
        total = Quantity(first.value + second.value, float(np.hypot(first.u, second.u)))
        if total.value <= 0.0:
            return None
        alone = self._pairs == 1 and self._sum_holds(total) and self._fits(newest)
        if alone:
            assert self._sum is not None
            first, second, balance = _from_one(which, newest, self._sum)
        else:
            balance = Quantity(balance_of(first.value, second.value), balance_u(first, second))
        self._recent.append(balance)
        return LiveBalance(Heights(first, second, self._quiet()), alone, self._jumped)

    def miss(self, which: int) -> None:
        """Note that a lobe could not be measured."""
        self._heights[which].clear()
        self._recent.clear()

    def _sum_holds(self, total: Quantity) -> bool:
        if self._sum is None:
            before, self._total = self._total, total
            steady = before is not None and _same(before, total)
            self._settled = self._settled + 1 if steady else 0
            if self._settled >= _JUMP_RUN:
                self._sum = total
            return False
        away = total.value - self._sum.value
        if abs(away) < _SUM_PART * self._sum.value + _SUM_SIGMAS * total.u:
            gain = _SUM_GAIN
            # What the sum still moves by is what it is not known by.
            u = np.hypot((1.0 - gain) * self._sum.u, gain * max(total.u, abs(away)))
            self._sum = Quantity(self._sum.value + gain * away, float(u))
            self._run = 0
            self._jumped = False
            return True
        same_way = away * self._run >= 0
        self._run = (self._run if same_way else 0) + (1 if away > 0.0 else -1)
        if abs(self._run) < _JUMP_RUN:
            return True
        self._sum = self._total = None
        self._settled = self._run = 0
        self._jumped = True
        self._recent.clear()
        return False

    def _fits(self, height: Quantity) -> bool:
        """Tell whether one lobe is no higher than both together: else the gain has changed."""
        return self._sum is not None and height.value < self._sum.value

    def _quiet(self) -> Quantity:
        """Return the mean of the fewest newest balances that is certain enough."""
        values: list[float] = []
        variance = u = 0.0
        for balance in reversed(self._recent):
            values.append(balance.value)
            variance += balance.u**2
            u = np.sqrt(variance) / len(values)
            if u <= _QUIET_U:
                break
        return Quantity(float(np.mean(values)), float(np.hypot(u, _FLOOR)))


def _same(one: Quantity, other: Quantity) -> bool:
    slack = 0.5 * _SUM_PART * other.value + _SUM_SIGMAS * float(np.hypot(one.u, other.u))
    return abs(one.value - other.value) < slack


def _mean(heights: deque[Quantity]) -> Quantity:
    count = len(heights)
    u = np.sqrt(sum(height.u**2 for height in heights)) / count
    return Quantity(sum(height.value for height in heights) / count, float(u))


def _from_one(which: int, height: Quantity, total: Quantity) -> tuple[Quantity, Quantity, Quantity]:
    """Return first, second and balance from one height and the sum of both."""
    part = height.value / total.value
    u_part = float(np.hypot(height.u, part * total.u)) / total.value
    rest = Quantity(total.value - height.value, float(np.hypot(height.u, total.u)))
    balance = 2.0 * part - 1.0
    if which == 0:
        return height, rest, Quantity(balance, 2.0 * u_part)
    return rest, height, Quantity(-balance, 2.0 * u_part)
