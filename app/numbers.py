"""Numbers as they are written: in the unit that is chosen, no digit more than their u bears."""

from __future__ import annotations

import math
import re
from enum import StrEnum

from app.language import say

MINUS = "\u2212"
_PLAIN = 4
_COVERAGE = 2.0


def plus_minus(
    value: float,
    u: float | None,
    unit: str = "",
    *,
    places: int | None = None,
    sign: str = "",
    minus: str = "-",
) -> str:
    """Return value ± expanded uncertainty (k = 2).

    Parameters
    ----------
    value : float
        In `unit`.
    u : float or None
        Standard uncertainty; None where there is none to state.
    unit : str
        With its space before it.
    places : int or None
        Decimals of both, for columns and tables; None rounds both to the first two digits of the
        expanded uncertainty.
    sign : str
        As in a format: ``"+"`` also says that a value is positive, ``"+z"`` and that of nought.
    minus : str
        What stands before a negative value: a hyphen, as files and terminals have it, or
        :data:`MINUS`.
    """
    if places is None:
        if u is None and math.isfinite(value):
            return _with_minus(f"{value:{sign}.{_PLAIN}g}{unit}", minus)
        if u is None or not (math.isfinite(value) and math.isfinite(_COVERAGE * u)):
            return say("not known")
        places = _places_of(_COVERAGE * u)
    spread = "" if u is None else f" {spread_of(u, places=places)}"
    return _with_minus(f"{value:{sign}.{places}f}{spread}{unit}", minus)


def spread_of(u: float, unit: str = "", *, places: int) -> str:
    """Return ± expanded uncertainty (k = 2) alone."""
    return f"± {_COVERAGE * u:.{places}f}{unit}"


def two_digits(number: float) -> str:
    """Return an uncertainty with two digits, or one after the point."""
    return f"{number:.1f}" if abs(number) >= 1.0 else f"{number:#.2g}"


_FINEST = 0.001


def finely(size: float) -> str:
    """Return how far something is to be turned or moved, not negative, as a hand may follow it.

    Three places below a tenth, so that a small nudge is not one of nought; and no longer than that,
    so that what counts down keeps its width.
    """
    if 0.0 < size < _FINEST:
        return f"<{_FINEST:g}"
    return f"{size:.3f}" if 0.0 < size < 0.1 else f"{size:.2f}"


_SURE = 0.999


def chance_words(part: float) -> str:
    """Return a probability in per cent, as no surer than a thousandth."""
    if part > _SURE:
        return say("more than {0:.1f} %", 100.0 * _SURE)
    if part < 1.0 - _SURE:
        return say("less than {0:.1f} %", 100.0 * (1.0 - _SURE))
    return f"{100.0 * part:.1f} %"


def _places_of(expanded: float) -> int:
    places = 1 - math.floor(math.log10(expanded)) if expanded > 0.0 else 3
    return min(max(places, 0), 6)


def _with_minus(words: str, minus: str) -> str:
    return f"{minus}{words[1:]}" if words.startswith("-") else words


class Unit(StrEnum):
    """Unit of lengths at the head: one choice, by which temperatures are shown too."""

    UM = "µm"
    """With degrees Celsius."""
    MIL = "mil"
    """A thousandth of an inch, 25.4 µm, with degrees Fahrenheit."""


UM_PER_MIL = 25.4
_CUSTOMARY = {
    "µm": ("mil", 1.0 / UM_PER_MIL, 0.0),
    "µm/min": ("mil/min", 1.0 / UM_PER_MIL, 0.0),
    "°C": ("°F", 1.8, 32.0),
}
"""Name, factor, and where its nought lies."""
_DECIMALS_MORE = {"µm": 2, "µm/min": 2, "°C": 0}
_NUMBER = r"\d+(?:\.\d+)?"
_BETWEEN = " ± | to | and |, | → | bis | und "
"""What stands between numbers that share a unit, in each language that there is."""
_IN_WORDS = re.compile(
    rf"[±+\-−]?{_NUMBER}(?:(?:{_BETWEEN})[±+\-−]?{_NUMBER})* ?(µm/min|µm|°C)(?![\w/])"
)
_EACH = re.compile(rf"(± ?)?([+\-−]?)({_NUMBER})")


def unit_shown(unit: str, shown: Unit) -> str:
    """Return the unit in which a value of `unit` is shown; most stay what they are."""
    return _CUSTOMARY[unit][0] if shown is Unit.MIL and unit in _CUSTOMARY else unit


def value_shown(value: float, unit: str, shown: Unit) -> float:
    """Return a value of `unit` as it is shown."""
    if shown is Unit.UM or unit not in _CUSTOMARY:
        return value
    _, factor, nought = _CUSTOMARY[unit]
    return value * factor + nought


def span_shown(span: float, unit: str, shown: Unit) -> float:
    """Return a difference, or an uncertainty, of `unit` as it is shown."""
    return span * _CUSTOMARY[unit][1] if shown is Unit.MIL and unit in _CUSTOMARY else span


def value_meant(value: float, unit: str, shown: Unit) -> float:
    """Return in `unit` a value that was entered as it is shown: the inverse of `value_shown`."""
    if shown is Unit.UM or unit not in _CUSTOMARY:
        return value
    _, factor, nought = _CUSTOMARY[unit]
    return (value - nought) / factor


def words_shown(words: str, shown: Unit) -> str:
    """Return a sentence of the program's own with its lengths and temperatures as they are shown.

    Each keeps about as many digits as it had. Words of a user are left to the user.
    """
    return words if shown is Unit.UM else _IN_WORDS.sub(_customary, words)


def _customary(found: re.Match[str]) -> str:
    unit = found[1]
    name, factor, nought = _CUSTOMARY[unit]

    def one(each: re.Match[str]) -> str:
        spread, sign, figures = each[1] or "", each[2], each[3]
        decimals = len(figures.partition(".")[2]) + _DECIMALS_MORE[unit]
        number = float(figures) * (-1.0 if sign in ("-", MINUS) else 1.0) * factor
        number += 0.0 if spread else nought
        before = (sign if number < 0.0 else "") if sign in ("-", MINUS) else sign
        return f"{spread}{before}{abs(number):.{decimals}f}"

    numbers = found[0][: -len(unit)]
    return _EACH.sub(one, numbers) + name
