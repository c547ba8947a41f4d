"""A budget of uncertainty: named parts, their sum, its degrees of freedom."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from app.analysis.reading import Quantity
from app.analysis.statistics.student import expanded


@dataclass(frozen=True, slots=True)
class Part:
    """One contribution to a standard uncertainty, in the unit of the result.

    Attributes
    ----------
    name : str
        What it is.
    u : float
        Its standard uncertainty, not enlarged.
    dof : float
        Its degrees of freedom, infinite where it is known otherwise than from scatter.
    """

    name: str
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Budget:
    """The parts together.

    Attributes
    ----------
    parts : tuple of Part
        What it was made of.
    u, dof : float
        Combined standard uncertainty and its effective degrees of freedom.
    """

    parts: tuple[Part, ...]
    u: float
    dof: float

    def expanded(self, confidence: float = 0.95) -> float:
        """Return the expanded uncertainty."""
        return expanded(self.u, self.dof, confidence) if self.u else 0.0

    def quantity(self, value: float) -> Quantity:
        """Return `value` with u so enlarged that ±2u covers 95 %, as every Quantity has it."""
        return Quantity(value, self.expanded() / 2.0)


def combine(parts: Sequence[Part]) -> Budget:
    """Combine independent parts (JCGM 100, 5.1.2).

    Raises
    ------
    ValueError
        When an uncertainty is negative or no number, or degrees of freedom are not above 0.
    """
    for part in parts:
        if not part.u >= 0.0 or not part.dof > 0.0:
            raise ValueError(f"{part.name}: u {part.u} with {part.dof} degrees of freedom")
    u = math.hypot(*(part.u for part in parts))
    return Budget(tuple(parts), u, effective_dof([(part.u, part.dof) for part in parts]))


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1).

    Parameters
    ----------
    parts : sequence of (float, float)
        Standard uncertainty and degrees of freedom of each part.
    """
    largest = max((u for u, _ in parts), default=0.0)
    if largest == 0.0:
        return math.inf
    # In parts of the largest, so that small units do not vanish in the fourth power.
    total = sum((u / largest) ** 2 for u, _ in parts)
    below = sum((u / largest) ** 4 / dof for u, dof in parts)
    return total**2 / below if below else math.inf
