"""From raw codes to volts: a closed set of scales, each a pure function of a preamble's fields.

Every scale is a straight line, so a scale gives a slope and an intercept. Formulas as in the
makers' programming guides (from memory), each in the docstring of its function.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

Fields = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Line:
    """volts = slope_v · code + intercept_v."""

    slope_v: float
    intercept_v: float

    def volts(self, code: float) -> float:
        """Return the volts of one code."""
        return self.slope_v * code + self.intercept_v


def _reference(of: Fields) -> Line:
    """(raw − yref)·yinc + yorig: the origin is in volts."""
    return Line(of["yinc"], of["yorig"] - of["yref"] * of["yinc"])


def _reference_and_origin(of: Fields) -> Line:
    """(raw − yorig − yref)·yinc: the origin is in codes."""
    return Line(of["yinc"], -(of["yorig"] + of["yref"]) * of["yinc"])


def _multiplier(of: Fields) -> Line:
    """(raw − yoff)·ymult + yzero."""
    return Line(of["ymult"], of["yzero"] - of["yoff"] * of["ymult"])


def _gain(of: Fields) -> Line:
    """gain·code − offset."""
    return Line(of["gain"], -of["offset"])


def _twenty_five(of: Fields) -> Line:
    """code·vdiv/25 − offset: 25 codes a division."""
    return Line(of["vdiv"] / 25, -of["offset"])


def _codes_per_division(of: Fields) -> Line:
    """code/codes_per_div·vdiv·probe − offset·probe."""
    return Line(of["vdiv"] / of["codes_per_div"] * of["probe"], -of["offset"] * of["probe"])


def _inverted(of: Fields) -> Line:
    """(128 − raw)·vdiv/25.6 − offset: a higher code is a lower voltage."""
    return Line(-of["vdiv"] / 25.6, 128 * of["vdiv"] / 25.6 - of["offset"])


def _volts(of: Fields) -> Line:
    """Take the data for volts."""
    return Line(1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale, and the fields of a preamble that it needs."""

    line: Callable[[Fields], Line]
    needs: frozenset[str]


SCALES: Mapping[str, Scale] = {
    "reference": Scale(_reference, frozenset({"yinc", "yorig", "yref"})),
    "reference-and-origin": Scale(_reference_and_origin, frozenset({"yinc", "yorig", "yref"})),
    "multiplier": Scale(_multiplier, frozenset({"ymult", "yoff", "yzero"})),
    "gain": Scale(_gain, frozenset({"gain", "offset"})),
    "twenty-five": Scale(_twenty_five, frozenset({"vdiv", "offset"})),
    "codes-per-division": Scale(
        _codes_per_division, frozenset({"vdiv", "offset", "probe", "codes_per_div"})
    ),
    "inverted": Scale(_inverted, frozenset({"vdiv", "offset"})),
    "volts": Scale(_volts, frozenset()),
}
"""Every scale that a family may name."""
