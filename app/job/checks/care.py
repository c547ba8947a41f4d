"""Before power: cautions, the write-protect sensor, clean heads, temperatures."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

from app.analysis.bench.expansion import ExpansionFinding, expansion_of
from app.analysis.reading import Quantity
from app.job import messages
from app.job.asking import Check, change, concluded, learn, with_alignment_disk
from app.job.bench import Situation
from app.job.model import Action, Ask, Do, Enter, Value, Verdict
from app.profiles import Profile

CAUTIONS = (
    messages.MAINS,
    messages.GROUND_CLIP,
    messages.LINE_INPUT,
    messages.MOVING_PARTS,
    messages.NEVER_WRITE,
)
YES, NO = "yes", "no"

_NORMAL_C = 23.0
"""Where a disk's certificate names no temperature: that of the standards' tests (from memory)."""
_THERMOMETER_U_K = 1.0
_HYGROMETER_U_PERCENT = 3.0
"""±5 %, rectangular (common practice)."""
_UNTOLD_U_K, _UNTOLD_U_PERCENT = 3.0, 10.0
_NORMAL_HUMIDITY = 50.0
_FILM_PART_U = 0.2
"""Relative standard uncertainty of the film's coefficients (from memory)."""
_CHASSIS_PPM = Quantity(23.0, 2.0)
"""Aluminium (from memory)."""


def care(situation: Situation) -> Check:
    """Go through what comes before power and before the alignment disk goes in."""
    for caution in CAUTIONS:
        yield Do(Action.CONFIRM, caution)
    refused = yield from _prove_protect(situation)
    if refused == NO:
        return concluded(situation, Verdict.FAIL, reason=str(messages.NOT_REFUSED))
    yield Do(Action.CLEAN_HEADS, messages.CLEAN_HEADS)
    told: dict[str, float | None] = {}
    for entry in _CONDITIONS:
        told[entry.key] = yield entry
    yield from with_alignment_disk(situation)
    finding = _expansion(situation.profile, told)
    shift = finding.shift_um
    # It is told and not corrected for, so that the shift itself counts as uncertainty.
    learn(situation, climate_u_um=(shift.value**2 + shift.u**2) ** 0.5)
    return concluded(
        situation,
        Verdict.NOTED,
        reason="" if refused == YES else str(messages.PROTECT_UNTOLD),
        details=(
            *_told(told),
            Value("shift of the track by temperature and humidity", shift.value, shift.u, "µm"),
        ),
    )


def _prove_protect(situation: Situation) -> Generator[Ask, Any, str | None]:
    yield Do(Action.PROVE_PROTECT, messages.PROVE_PROTECT)
    refused = yield Enter("write refused", messages.WAS_IT_REFUSED, choices=(YES, NO))
    change(situation, disk=None, protect_proved=refused == YES, protect_failed=refused == NO)
    return refused


_CONDITIONS = (
    Enter("room temperature", messages.ROOM_TEMPERATURE, "°C", 0.0, 50.0),
    Enter("chassis temperature", messages.CHASSIS_TEMPERATURE, "°C", 0.0, 80.0),
    Enter("relative humidity", messages.HUMIDITY, "%", 0.0, 100.0),
    Enter("minutes since power-on", messages.MINUTES_ON, "min", 0.0, 10_000.0),
)


def _told(told: dict[str, float | None]) -> list[Value]:
    units = {entry.key: entry.unit for entry in _CONDITIONS}
    given = {key: value for key, value in told.items() if value is not None}
    return [Value(key, value, None, units[key]) for key, value in given.items()]


def _expansion(profile: Profile, told: dict[str, float | None]) -> ExpansionFinding:
    """Return how far the alignment track lies from where it was certified."""
    normal_c = profile.certificate_temperature_c or _NORMAL_C

    def away(key: str, normal: float, told_u: float, untold_u: float) -> Quantity:
        value = told[key]
        return Quantity(0.0, untold_u) if value is None else Quantity(value - normal, told_u)

    def film(ppm: float) -> Quantity:
        return Quantity(ppm, _FILM_PART_U * ppm)

    return expansion_of(
        profile.alignment_radius_mm,
        film_k=away("room temperature", normal_c, _THERMOMETER_U_K, _UNTOLD_U_K),
        film_ppm_per_k=film(profile.thermal_ppm_per_k),
        humidity_percent=away(
            "relative humidity", _NORMAL_HUMIDITY, _HYGROMETER_U_PERCENT, _UNTOLD_U_PERCENT
        ),
        humidity_ppm_per_percent=film(profile.humidity_ppm_per_percent),
        chassis_k=away("chassis temperature", normal_c, _THERMOMETER_U_K, _UNTOLD_U_K),
        chassis_ppm_per_k=_CHASSIS_PPM,
    )
