"""A reading held against what is true: right, wrong, or refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tests.hunt.signal import Truth

RATIO_FLOOR = 0.002
"""A ratio that errs by no more is never called wrong."""
SPEED_FLOOR_RPM = 0.003
"""Ten millionths of 300 rpm: below it the numbers of the model itself are not better."""
WRONG_U = 5.0
FAR_U = 4.0
"""Beyond so many u a value is wrong, or far off."""
_SIDE_U = 4.0
_EVEN = 0.001
"""A balance as near to nothing as this has no side."""


@dataclass(frozen=True, slots=True)
class Error:
    """How far a value is from the truth, and its standard uncertainty."""

    error: float
    u: float

    @property
    def pull(self) -> float:
        """The error in units of u; without an u an error is beyond all of them."""
        if self.u > 0.0:
            return self.error / self.u
        return 0.0 if self.error == 0.0 else float("inf") * (1 if self.error > 0 else -1)

    def is_beyond(self, times: float, floor: float) -> bool:
        """Tell whether it errs by more than so many u, and by more than the floor."""
        return abs(self.error) > floor and abs(self.error) > times * self.u


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be said of one reading.

    Attributes
    ----------
    valid : bool
        The instrument says that it may be used.
    ratio, speed : Error or None
        None where nothing is shown; a speed is shown beside a parked needle too.
    wrong_side, lacks_note : bool
        The side is said to be known and is not the true one; a note is wanted and there is none.
    reasons : tuple of str
        Why it was parked, or how the program failed.
    crashed : bool
        An exception came out.
    is_nothing : bool
        It is valid where there is nothing to be read.
    parked_late : bool
        A live needle went on for too long after the signal had gone, or gave no reason.
    """

    valid: bool
    ratio: Error | None = None
    speed: Error | None = None
    wrong_side: bool = False
    lacks_note: bool = False
    reasons: tuple[str, ...] = ()
    crashed: bool = False
    is_nothing: bool = False
    parked_late: bool = False

    def faults(self, times: float = WRONG_U) -> tuple[str, ...]:
        """Name what is wrong; empty where nothing is."""
        named = {
            "crash": self.crashed,
            "ratio": self.ratio is not None and self.ratio.is_beyond(times, RATIO_FLOOR),
            "side": self.wrong_side,
            "speed": self.speed is not None and self.speed.is_beyond(times, SPEED_FLOOR_RPM),
            "note": self.lacks_note,
            "nothing": self.is_nothing,
            "late": self.parked_late,
        }
        return tuple(name for name, holds in named.items() if holds)


def judge(reading: Mapping[str, Any], truth: Truth) -> Verdict:
    """Compare a reading, as ``measure --json`` prints it, with what is true."""
    speed = None
    if reading["speed_rpm"] is not None:
        speed = _error(reading["speed_rpm"], (truth.rpm, truth.rpm))
    reasons = tuple(reading["reasons"])
    if not reading["valid"]:
        return Verdict(valid=False, speed=speed, reasons=reasons)
    if truth.is_nothing:
        return Verdict(valid=True, speed=speed, reasons=reasons, is_nothing=True)
    return Verdict(
        valid=True,
        ratio=_error(reading["ratio"], truth.ratio),
        speed=speed,
        wrong_side=_is_wrong_side(reading, truth),
        lacks_note=truth.wants_note and not reading["notes"],
        reasons=reasons,
    )


def crashed(fault: Exception) -> Verdict:
    """Return what is to be said of an exception."""
    return Verdict(valid=False, reasons=(f"{type(fault).__name__}: {fault}",), crashed=True)


def _error(quantity: Mapping[str, float], right: tuple[float, float]) -> Error:
    """Return the way to the nearest of what is right."""
    value, (least, most) = quantity["value"], right
    return Error(value - min(max(value, least), most), quantity["u"])


def _is_wrong_side(reading: Mapping[str, Any], truth: Truth) -> bool:
    """Tell whether a balance well clear of nothing has the other sign than the truth, or any."""
    balance = reading["balance"]
    if not reading["sign_known"] or abs(truth.balance) < _EVEN:
        return False
    is_clear = abs(balance["value"]) > max(_EVEN, _SIDE_U * balance["u"])
    return is_clear and (balance["value"] * truth.balance < 0.0 or not truth.is_sided)
