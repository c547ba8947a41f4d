"""Anything that the program makes, in a line of text: short, the same everywhere, to be read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from app.analysis.results import Message

_NOTHING = 1e-9
"""What is below it is what rounding left of nought."""
HUNDRED_THOUSANDTHS = "e-5"
"""Behind a whole number of them."""
_SHOWN = 4
"""So many values of an array stand in the line, evenly from the first to the last."""


def told(thing: Any) -> str:
    """Return a line for a value: fields that are as by default are left out."""
    if isinstance(thing, Enum):
        return str(thing.value)
    if isinstance(thing, (float, np.floating)):
        return f"{0.0 if abs(thing) < _NOTHING else float(thing):.6g}"
    if isinstance(thing, Message):
        return repr(str(thing))
    if isinstance(thing, np.ndarray):
        return _array(thing)
    if isinstance(thing, Mapping):
        return "{" + ", ".join(f"{told(key)}: {told(thing[key])}" for key in thing) + "}"
    if isinstance(thing, (tuple, list)):
        return "[" + ", ".join(map(told, thing)) + "]"
    if is_dataclass(thing):
        return f"{type(thing).__name__}({', '.join(_fields(thing))})"
    if callable(thing):
        return thing.__name__
    if isinstance(thing, (set, frozenset)):
        return "{" + ", ".join(sorted(map(told, thing))) + "}"
    return repr(thing)


def _fields(thing: Any) -> list[str]:
    found = []
    for field in fields(thing):
        value = getattr(thing, field.name)
        default = field.default
        if field.default_factory is not MISSING:
            default = field.default_factory()
        if isinstance(value, np.ndarray) or default is MISSING or told(value) != told(default):
            found.append(f"{field.name}={told(value)}")
    return found


def _array(values: np.ndarray) -> str:
    """Return its type and shape, and what a change of any value would change.

    The mean, a mean in which it counts where a value stands, and some of the values are given in
    hundred-thousandths of the root mean square: beside it rounding is nothing.
    """
    head = f"{values.dtype}{list(values.shape)}"
    with np.errstate(invalid="ignore"):  # such a number may signal as it is widened
        flat = values.ravel().astype(float)
    if not flat.size:
        return head
    if not np.isfinite(flat).all():
        head += f" {np.count_nonzero(~np.isfinite(flat))} not finite"
        flat = np.where(np.isfinite(flat), flat, 0.0)
    rms = math.sqrt(float(np.mean(flat * flat)))
    places = np.linspace(0, flat.size - 1, min(_SHOWN, flat.size)).round().astype(int)
    shown = (np.mean(flat), np.mean(flat * np.cos(np.arange(flat.size))), *flat[places])
    parts = [f"{round(1e5 * float(each) / rms)}{HUNDRED_THOUSANDTHS}" for each in shown if rms]
    return f"{head} rms {told(rms)} of {' '.join(parts)}"
