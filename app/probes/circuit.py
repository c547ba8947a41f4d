"""What a probe is made of: parts between nodes, each with its reason and its place when drawn."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

Point = tuple[float, float]
"""Place in a drawing, in units of its grid; x to the right, y downward."""
GROUND = "0"
"""The node that is the drive's signal ground."""


class PartKind(StrEnum):
    """What a part is."""

    RESISTOR = "resistor"
    CAPACITOR = "capacitor"
    DIODE = "diode"
    """From its first node to its second."""
    AMPLIFIER = "amplifier"
    """Nodes: in front of it what is not inverted, what is, and its output."""
    SWITCH = "switch"
    """Between its nodes; closed every other half of a cycle."""


_UNITS = {PartKind.RESISTOR: "Ω", PartKind.CAPACITOR: "F", PartKind.SWITCH: "Hz"}
_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


@dataclass(frozen=True, slots=True)
class CircuitPart:
    """One part.

    Attributes
    ----------
    value : float or None
        In ohms, farads or hertz; None where the part has none.
    at : tuple of two points
        The ends of a part with two nodes; of an amplifier the upper left and lower right corner.
    why : str
        Why it has this value; empty where the part before says it for both.
    """

    name: str
    kind: PartKind
    nodes: tuple[str, ...]
    at: tuple[Point, Point]
    value: float | None = None
    why: str = ""

    @property
    def words(self) -> str:
        """Its value with its unit, as it stands on the part."""
        if self.value is None:
            return ""
        size, prefix = next(each for each in _PREFIXES if self.value >= 0.999 * each[0])
        return f"{self.value / size:.4g} {prefix}{_UNITS[self.kind]}"


@dataclass(frozen=True, slots=True)
class ExpectedLevel:
    """What is to be expected somewhere; a circuit simulator has said so too.

    Attributes
    ----------
    what : str
        In words.
    value, unit : float, str
        How much.
    """

    what: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Probe:
    """A probe.

    Attributes
    ----------
    wires : tuple of tuple of points
        What joins the parts.
    dots : tuple of points
        Where wires meet.
    grounds : tuple of points
        Where something goes to the drive's signal ground.
    labels : tuple of (point, str)
        What stands beside it, to the right of the point.
    address : str
        How its signal is opened.
    """

    name: str
    title: str
    purpose: str
    parts: tuple[CircuitPart, ...]
    wires: tuple[tuple[Point, ...], ...]
    dots: tuple[Point, ...]
    grounds: tuple[Point, ...]
    labels: tuple[tuple[Point, str], ...]
    levels: tuple[ExpectedLevel, ...]
    cautions: tuple[str, ...]
    address: str
