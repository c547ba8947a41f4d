"""A budget of uncertainty: named parts, combined once and expanded once.

Parts are combined by the root of the sum of their squares, their degrees of freedom by Welch and
Satterthwaite (JCGM 100, 5.1.2 and G.4). The sum then spreads as Student's distribution does; the
largest rectangular part stays a rectangle in it, by a convolution in closed form where JCGM 101
draws numbers. From that spread come the expanded uncertainty and the probability of conformity.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

from app.analysis.results import Quantity
from app.analysis.uncertainty import COVERAGE, effective_dof, t_beyond, t_density, t_factor


class Shape(StrEnum):
    """How the error of a part is distributed."""

    NORMAL = "normal"
    """With degrees of freedom to state: Student's."""
    RECTANGULAR = "rectangular"
    """Between two ends, anywhere alike."""
    ARCSINE = "arcsine"
    """Between two ends, mostly near them: a sine of an angle that is not known."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a budget.

    Attributes
    ----------
    u : float
        Standard uncertainty that it adds, in the result's unit.
    value : float
        What was added to the result for it.
    dof : float or None
        Degrees of freedom of u; None where u is as good as known.
    """

    name: str
    u: float
    value: float = 0.0
    dof: float | None = None
    shape: Shape = Shape.NORMAL
    unit: str = ""

    def scaled(self, factor: float, unit: str) -> Part:
        """Return the part of a result that is `factor` times this one's."""
        return replace(self, u=abs(factor) * self.u, value=factor * self.value, unit=unit)


_ROUNDS = 40
_NO_END = 10_000.0
"""So many degrees of freedom expand as a normal distribution does."""
_LEAST_DOF = 1.0 + 1e-7
"""With one degree of freedom the closed form has a pole that cancels."""
_NARROW = 1e-2
"""Over a rectangle narrower than this, in standard uncertainties of the rest, a distribution is a
parabola to 1e-11; the closed form is there the difference of two numbers that hardly differ."""
_LOST = 1e-9
"""What has less than this of a rectangle does not widen it."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How a result may lie about its value: Student's distribution, and a rectangle over it.

    Attributes
    ----------
    scale : float
        Standard uncertainty of all parts but the rectangle.
    dof : float
        Its degrees of freedom; may be infinite.
    half : float
        Half of the rectangle's width, 0 without one.
    """

    scale: float
    dof: float = math.inf
    half: float = 0.0

    @classmethod
    def of(cls, parts: Sequence[Part]) -> Self:
        """Return the spread of a sum of independent parts."""
        boxes = [part for part in parts if part.shape is Shape.RECTANGULAR and part.dof is None]
        box = max(boxes, key=lambda part: part.u, default=None)
        rest = [part for part in parts if part is not box]
        half = 0.0 if box is None else math.sqrt(3.0) * box.u
        return cls(combined_u(rest), combined_dof(rest) or math.inf, half)

    def beyond(self, distance: float) -> float:
        """Return the probability that the result lies above its value by more than `distance`."""
        if self.scale <= _LOST * self.half:
            if self.half == 0.0:
                return 1.0 if distance < 0.0 else 0.0
            return min(1.0, max(0.0, 0.5 - distance / (2.0 * self.half)))
        z, half = distance / self.scale, self.half / self.scale
        if half < _NARROW:
            return _upper(z, self.dof) + half * half / 6.0 * _fall(z, self.dof)
        parts = _excess(z - half, self.dof) - _excess(z + half, self.dof)
        return min(1.0, max(0.0, parts / (2.0 * half)))

    def expanded(self, confidence: float = COVERAGE) -> float:
        """Return U: within ±U, the shortest such interval, lies `confidence` of it."""
        if self.half == 0.0:
            return t_factor(self.dof, confidence) * self.scale if self.scale else 0.0
        low, high = 0.0, self.half + (t_factor(self.dof, confidence) * self.scale)
        for _ in range(_ROUNDS):
            middle = (low + high) / 2.0
            if 2.0 * self.beyond(middle) > 1.0 - confidence:
                low = middle
            else:
                high = middle
        return high

    def conformity(self, value: float, low: float | None, high: float | None) -> float:
        """Return the probability that what was measured as `value` lies between limits.

        Parameters
        ----------
        low, high : float or None
            The limits (JCGM 106, 7.1); None is open.
        """
        above = 0.0 if high is None else self.beyond(high - value)
        below = 0.0 if low is None else self.beyond(value - low)
        return min(1.0, max(0.0, 1.0 - above - below))


@dataclass(frozen=True, slots=True)
class Budget:
    """A result, corrected, and the parts of its uncertainty."""

    value: float
    parts: tuple[Part, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return combined_u(self.parts)

    @property
    def dof(self) -> float | None:
        """Its effective degrees of freedom, None where there is no end of them."""
        return combined_dof(self.parts)

    @property
    def expanded_u(self) -> float:
        """U: what holds 95.45 % of what the result may be."""
        return Spread.of(self.parts).expanded()

    @property
    def covering(self) -> Quantity:
        """The result with half of U in the place of u: ±2u covers 95.45 %."""
        return Quantity(self.value, self.expanded_u / 2.0)

    def conformity(self, low: float | None, high: float | None) -> float:
        """Return the probability that it is within limits."""
        return Spread.of(self.parts).conformity(self.value, low, high)


def combined_u(parts: Sequence[Part]) -> float:
    """Return the combined standard uncertainty."""
    return math.hypot(*(part.u for part in parts))


def combined_dof(parts: Sequence[Part]) -> float | None:
    """Return the effective degrees of freedom, None where there is no end of them."""
    known = ((part.u, math.inf if part.dof is None else part.dof) for part in parts)
    dof = effective_dof([each for each in known if each[0] > 0.0])
    return dof if dof < _NO_END else None


def shares(parts: Sequence[Part]) -> tuple[float, ...]:
    """Return how much of the combined variance each part is, 0 to 1."""
    total_u = combined_u(parts)
    return tuple((part.u / total_u) ** 2 if total_u else 0.0 for part in parts)


def _upper(z: float, dof: float) -> float:
    """Return the probability above `z` of Student's distribution."""
    half = t_beyond(abs(z), dof) / 2.0
    return half if z > 0.0 else 1.0 - half


def _excess(z: float, dof: float) -> float:
    """Return the integral of :func:`_upper` from `z` on, but for a constant with one degree."""
    if math.isinf(dof):
        return t_density(z, dof) - z * _upper(z, dof)
    dof = max(dof, _LEAST_DOF)
    return t_density(z, dof) * (dof + z * z) / (dof - 1.0) - z * _upper(z, dof)


def _fall(z: float, dof: float) -> float:
    """Return by how much the density of Student's distribution falls at `z`."""
    return t_density(z, dof) * (z if math.isinf(dof) else (dof + 1.0) * z / (dof + z * z))
