"""A reading in words and in JSON, for terminals and files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from app import numbers
from app.analysis import messages
from app.analysis.results import Quantity, Reading, Sign
from app.live.measurement import Measured
from app.live.view import View
from app.numbers import Unit
from app.profiles import Profile

SCHEMA = "evenlobe.reading/1"
LIVE_SCHEMA = "evenlobe.needle/1"
VIRTUAL = "virtual drive"
"""Stands by every result that comes from the virtual drive."""


def reading_as_json(measured: Measured, profile: Profile) -> dict[str, Any]:
    """Return a reading as plain values: the object that ``measure --json`` prints."""
    reading, info = measured.reading, measured.info
    return {
        "schema": SCHEMA,
        "source": info.name,
        "virtual": info.virtual,
        "profile": profile.name,
        "roles": [str(role) for role in info.roles],
        "duration_s": measured.duration_s,
        "revolutions": reading.revolutions,
        **values_of(reading, _notes(measured)),
    }


def view_as_json(view: View, profile: Profile, at: datetime) -> dict[str, Any]:
    """Return what the needle shows as plain values: what ``measure --live --json`` prints.

    `at` is when the reading's newest sample was taken, or, without one, now.
    """
    reading = view.reading
    return {
        "schema": LIVE_SCHEMA,
        "at": at.isoformat(timespec="milliseconds"),
        "source": view.source,
        "virtual": view.virtual,
        "profile": profile.name,
        "roles": list(view.roles),
        "phase": str(view.phase),
        "message": view.message,
        "advice": [str(each) for each in view.advice],
        "moving": _quantity(view.moving),
        "reading": None if reading is None else values_of(reading, [*map(str, reading.notes)]),
    }


def in_a_line(reading: Reading) -> str:
    """Return ratio, balance and offset of a valid reading, or why there is none."""
    if not reading.valid:
        return "no reading: " + "; ".join(map(str, reading.reasons))
    named = (("ratio", reading.ratio, ""), ("balance", reading.balance, ""))
    named = (*named, ("offset", reading.offset_um, " µm"))
    words = [f"{name} {plus_minus(it, unit)}" for name, it, unit in named if it is not None]
    return ", ".join([*words, f"head {reading.side}"] if reading.side else words)


def values_of(reading: Reading, notes: list[str]) -> dict[str, Any]:
    """Return a reading as plain values, the keys of the object from ``valid`` on."""
    return {
        "valid": reading.valid,
        "reasons": [str(reason) for reason in reading.reasons],
        "notes": notes,
        "geometry": str(reading.geometry) if reading.geometry else None,
        "speed_rpm": _quantity(reading.speed_rpm),
        "carrier_hz": _quantity(reading.carrier_hz),
        "snr_db": _number(reading.snr_db),
        "lobes_v": {"first": _quantity(reading.first_v), "second": _quantity(reading.second_v)},
        "balance": _quantity(reading.balance),
        "ratio": _quantity(reading.ratio),
        "difference": _quantity(reading.difference),
        "offset_um": _quantity(reading.offset_um),
        "sign_known": reading.sign is not Sign.UNKNOWN,
        "calibrated": reading.calibrated,
        "detector_unproved": is_unproved(reading),
        "limits": {
            "set": str(reading.set_limit) if reading.set_limit else None,
            "check": str(reading.check_limit) if reading.check_limit else None,
        },
    }


def reading_as_text(measured: Measured, profile: Profile, unit: Unit = Unit.UM) -> str:
    """Return a reading as lines for a person, its offset in `unit`."""
    reading, info = measured.reading, measured.info
    mark = f"  [{VIRTUAL}]" if info.virtual else ""
    lines = [f"source       {info.name}{mark}", f"profile      {profile.name} ({profile.title})"]
    if reading.valid:
        lines += _balance_lines(reading, profile, unit)
    else:
        lines += [f"no reading   {reason}" for reason in reading.reasons]
    lines += _signal_lines(measured)
    return in_lines([*lines, *(f"note         {note}" for note in _notes(measured))])


def in_lines(lines: Sequence[str]) -> str:
    """Return lines below each other; a break that somebody put into a name begins none."""
    return "\n".join(line.replace("\n", "\ufffd") for line in lines)


def roles_note(roles_from: str, roles: Sequence[str]) -> str:
    """Return who named the roles, unless the user did."""
    if roles_from == "given":
        return ""
    whence = "the file's own names" if roles_from == "file" else "the default"
    return f"roles are {whence}: {','.join(roles)}"


def is_unproved(reading: Reading) -> bool:
    """Tell whether what a detector's output means was taken for granted."""
    return messages.DETECTOR_UNPROVED in reading.notes


def provisos_of(reading: Reading) -> tuple[str, str]:
    """Return what ratio and offset hang on, in words to stand at each; empty where on nothing."""
    unproved = [messages.PROVISOS[messages.DETECTOR_UNPROVED]] if is_unproved(reading) else []
    uncalibrated = [] if reading.calibrated else [messages.PROVISOS[messages.UNCALIBRATED]]
    return ", ".join(unproved), ", ".join(uncalibrated + unproved)


def plus_minus(quantity: Quantity, unit: str = "", scale: float = 1.0) -> str:
    """Return value ± expanded uncertainty (k = 2), both to the latter's first two digits."""
    return numbers.plus_minus(quantity.value * scale, quantity.u * scale, unit)


def offset_words(offset_um: Quantity, unit: Unit) -> str:
    """Return an offset ± U in the unit that is chosen."""
    return plus_minus(offset_um, f" {unit}", numbers.span_shown(1.0, "µm", unit))


def rate_words(a_second: float) -> str:
    """Return a rate to two digits or so."""
    return f"{a_second:.1f}" if a_second >= 1.0 else f"{a_second:.2f}"


def _balance_lines(reading: Reading, profile: Profile, unit: Unit) -> list[str]:
    assert reading.ratio is not None
    assert reading.difference is not None
    assert reading.balance is not None
    assert reading.offset_um is not None
    size = "" if reading.sign is not Sign.UNKNOWN else " (magnitude: sign unknown)"
    side = f", head {reading.side}" if reading.side else ""
    of_ratio, of_offset = (words and f", {words}" for words in provisos_of(reading))
    limits = (
        f"set ({100 * profile.set_limit:g} %) {reading.set_limit}, "
        f"check ({100 * profile.check_limit:g} %) {reading.check_limit}"
    )
    return [
        f"ratio        {plus_minus(reading.ratio)}{of_ratio}",
        f"difference   {plus_minus(reading.difference, ' %', 100.0)}{of_ratio}",
        f"balance      {plus_minus(reading.balance)}{size}{of_ratio}",
        f"offset       {offset_words(reading.offset_um, unit)}{side}{of_offset}",
        f"limits       {limits}",
    ]


def _signal_lines(measured: Measured) -> list[str]:
    reading = measured.reading
    lines = [f"turns        {reading.revolutions} in {measured.duration_s:.3f} s"]
    if reading.geometry:
        lines.append(f"recording    {reading.geometry}")
    if reading.speed_rpm:
        lines.append(f"speed        {plus_minus(reading.speed_rpm, ' rpm')}")
    if reading.carrier_hz:
        lines.append(f"carrier      {plus_minus(reading.carrier_hz, ' kHz', 1e-3)}")
    if reading.snr_db is not None:
        lines.append(f"SNR          {reading.snr_db:.1f} dB")
    if reading.first_v and reading.second_v:
        first, second = (plus_minus(q, " mV", 1e3) for q in (reading.first_v, reading.second_v))
        lines.append(f"lobes        {first}, {second}")
    return lines


def _notes(measured: Measured) -> list[str]:
    info = measured.info
    roles = roles_note(info.roles_from, info.roles)
    settings = ", ".join(f"{name} {value}" for name, value in measured.settings)
    said = [roles, *info.notes, f"set to: {settings}" if settings else ""]
    return [*filter(None, said), *map(str, measured.reading.notes)]


def _quantity(quantity: Quantity | None) -> dict[str, float] | None:
    if quantity is None or not (math.isfinite(quantity.value) and math.isfinite(quantity.u)):
        return None
    return {"value": quantity.value, "u": quantity.u}


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
