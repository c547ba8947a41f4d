"""The parts of an offset's uncertainty, and what of it counts against a limit."""

from __future__ import annotations

import math

from app.analysis.statistics.budget import Part as BudgetPart
from app.analysis.statistics.budget import combine
from app.job.bench import Situation
from app.job.model import Value

SCATTER = "scatter"
SCALE = "scale of the disk"
SEATING = "seating"
CLAMP = "scale by the clamp"
CLIMATE = "temperature and humidity"


def offset_budget(situation: Situation, offset_um: float, scatter_um: float) -> tuple[Value, ...]:
    """Return the parts of the standard uncertainty of an offset, in micrometres.

    Parameters
    ----------
    situation : Situation
        The disk, and what is known of seating and climate.
    offset_um, scatter_um : float
        The offset, and the standard uncertainty that the measuring itself leaves.
    """
    profile, known = situation.profile, situation.known
    parts = [
        (SCATTER, scatter_um),
        (SCALE, profile.scale_u_um / profile.scale_um * abs(offset_um)),
        (SEATING, known.seating_u_um or 0.0),
        (CLAMP, known.clamp_part * abs(offset_um)),
        (CLIMATE, known.climate_u_um),
    ]
    return tuple(Value(name, u, unit="µm") for name, u in parts if u > 0.0)


def total_u(budget: tuple[Value, ...]) -> float:
    """Return the standard uncertainty that a budget's parts have together."""
    return combine([BudgetPart(part.name, part.value) for part in budget]).u


def guarding_u(budget: tuple[Value, ...]) -> float:
    """Return what counts against the limit of an offset.

    The class states the limit as a difference of the lobes: the disk's scale is in the offset and
    in its limit alike, and does not count. What the clamp does to the scale makes the difference
    itself wrong, and does.
    """
    return math.hypot(*(part.value for part in budget if part.name != SCALE))
