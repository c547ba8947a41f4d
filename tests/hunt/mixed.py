"""Captures with two or three spoilers at once."""

from __future__ import annotations

from numpy.random import Generator

from tests.hunt.classes import SINGLE
from tests.hunt.draws import Draw, HuntClass
from tests.hunt.signal import Stage

_ALONE = frozenset(
    {"beat", "azimuth_fill", "head_moved", "head_creeps", "uneven_disk", "uneven_twice", "residual"}
)
"""Each of these says what is true of the amplitude, and supposes to be the only one."""


class MixedClass:
    """Draws of any class with a spoiler, and the spoilers of one or two others that fit it."""

    name = "mixed"
    about = "two or three spoilers at once"

    def draw(self, rng: Generator) -> Draw:
        """Return what one capture is made of; whatever comes together is not called plain."""
        spoiled = [each for each in SINGLE if each.ranges]
        drawn = spoiled[int(rng.integers(len(spoiled)))].draw(rng)
        for _ in range(int(rng.integers(1, 3))):
            fitting = [each for each in spoiled if _fits(each, drawn)]
            if fitting:
                dose, _ = fitting[int(rng.integers(len(fitting)))].ranges[0].draw(rng)
                drawn = Draw(drawn.conditions, (*drawn.doses, dose), is_plain=False)
        return drawn


def _fits(other: HuntClass, drawn: Draw) -> bool:
    """Tell whether a class's spoiler has a meaning on top of what is drawn already."""
    spoiler, conditions = other.ranges[0].spoiler, drawn.conditions
    names = {dose.spoiler.name for dose in drawn.doses}
    of_index = spoiler.stage is Stage.INDEX or spoiler.name.startswith("index_")
    return (
        spoiler.name not in names
        and conditions.kind in other.frame.kinds
        and conditions.pattern.geometry in other.frame.geometries
        and (conditions.has_index or not of_index)
        and not (spoiler.name in _ALONE and names & _ALONE)
    )
