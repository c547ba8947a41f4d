"""Numbers as they are written: no digit more than their uncertainty bears."""

from __future__ import annotations

import math

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
        if u is None or not (math.isfinite(value) and math.isfinite(u)):
            return "not known"
        places = _places_of(_COVERAGE * u)
    spread = "" if u is None else f" {spread_of(u, places=places)}"
    return _with_minus(f"{value:{sign}.{places}f}{spread}{unit}", minus)


def spread_of(u: float, unit: str = "", *, places: int) -> str:
    """Return ± expanded uncertainty (k = 2) alone."""
    return f"± {_COVERAGE * u:.{places}f}{unit}"


_SURE = 0.999


def chance_words(part: float) -> str:
    """Return a probability in per cent, as no surer than a thousandth."""
    if part > _SURE:
        return f"more than {100.0 * _SURE:.1f} %"
    if part < 1.0 - _SURE:
        return f"less than {100.0 * (1.0 - _SURE):.1f} %"
    return f"{100.0 * part:.1f} %"


def _places_of(expanded: float) -> int:
    places = 1 - math.floor(math.log10(expanded)) if expanded > 0.0 else 3
    return min(max(places, 0), 6)


def _with_minus(words: str, minus: str) -> str:
    return f"{minus}{words[1:]}" if words.startswith("-") else words
