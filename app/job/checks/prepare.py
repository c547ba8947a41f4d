"""Before power: cautions, write protect, climate. Seating of the disk; what is seen at track 0."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import replace
from typing import Any

from app.analysis.adjust.disk import (
    ExpansionFinding,
    Seating,
    SeatingFinding,
    SpreadCause,
    expansion_of,
    seating_of,
)
from app.analysis.messages import fill
from app.analysis.results import Measurement, Message, Quantity, Verdict
from app.analysis.uncertainty import t_factor
from app.job import messages
from app.job.checks.common import (
    Check,
    change,
    concluded,
    learn,
    lobes_of,
    measure_lobes,
    on_alignment_track,
    on_track,
    why_not,
    with_alignment_disk,
)
from app.job.model import INSISTED, Action, Ask, Do, Enter, Outcome, Situation, Value
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
_UNKNOWN_U_K, _UNKNOWN_U_PERCENT = 3.0, 10.0
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
    entered: dict[str, float | None] = {}
    for entry in _CONDITIONS:
        entered[entry.key] = yield entry
    yield from with_alignment_disk(situation)
    finding = _expansion(situation.profile, entered)
    shift = finding.shift_um
    # It is told and not corrected for, so that the shift itself counts as uncertainty.
    learn(situation, climate_u_um=math.hypot(shift.value, shift.u))
    return concluded(
        situation,
        Verdict.NOTED,
        reason="" if refused == YES else str(messages.PROTECT_UNKNOWN),
        details=(
            *_entered(entered),
            Value.of("shift of the track by temperature and humidity", shift, "µm"),
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


def _entered(entered: dict[str, float | None]) -> list[Value]:
    values = ((entry, entered[entry.key]) for entry in _CONDITIONS)
    return [Value(each.key, value, None, each.unit) for each, value in values if value is not None]


def _expansion(profile: Profile, entered: dict[str, float | None]) -> ExpansionFinding:
    """Return how far the alignment track lies from where it was certified."""
    normal_c = profile.certificate_temperature_c or _NORMAL_C

    def away(key: str, normal: float, entered_u: float, unknown_u: float) -> Quantity:
        value = entered[key]
        return Quantity(0.0, unknown_u) if value is None else Quantity(value - normal, entered_u)

    def film(ppm: float) -> Quantity:
        return Quantity(ppm, _FILM_PART_U * ppm)

    return expansion_of(
        profile.alignment_radius_mm,
        film_k=away("room temperature", normal_c, _THERMOMETER_U_K, _UNKNOWN_U_K),
        film_ppm_per_k=film(profile.thermal_ppm_per_k),
        humidity_percent=away(
            "relative humidity", _NORMAL_HUMIDITY, _HYGROMETER_U_PERCENT, _UNKNOWN_U_PERCENT
        ),
        humidity_ppm_per_percent=film(profile.humidity_ppm_per_percent),
        chassis_k=away("chassis temperature", normal_c, _THERMOMETER_U_K, _UNKNOWN_U_K),
        chassis_ppm_per_k=_CHASSIS_PPM,
    )


_OFF_TRACK = 2
"""By here the sensor has to have let go (common practice)."""


def track_zero(situation: Situation) -> Check:
    """Enter the clearance of the stop, and where the sensor says track 0."""
    yield from on_track(situation, _OFF_TRACK, 0)
    off_key = f"track-zero sensor on track {_OFF_TRACK}"
    off = yield Enter(off_key, fill(messages.SENSOR_OFF, _OFF_TRACK), choices=(YES, NO))
    yield from on_track(situation, 0, 0)
    on = yield Enter("track-zero sensor on track 0", messages.SENSOR_ON, choices=(YES, NO))
    clearance = yield Enter("stop clearance", messages.STOP_CLEARANCE, "mm", 0.0, 10.0)
    details = () if clearance is None else (Value("stop clearance", clearance, unit="mm"),)
    reason = str(fill(messages.SENSOR_RULE, _OFF_TRACK))
    verdict = Verdict.PASS if (on, off) == (YES, NO) else Verdict.FAIL
    if on is None or off is None:
        verdict = Verdict.UNDECIDED
    return concluded(situation, verdict, reason=reason, details=details)


_CAUSES = {
    SpreadCause.NOISE: messages.SPREAD_NOISE,
    SpreadCause.SCALE: messages.SPREAD_SCALE,
    SpreadCause.ZERO: messages.SPREAD_ZERO,
    SpreadCause.BOTH: messages.SPREAD_BOTH,
    SpreadCause.UNDETERMINED: messages.SPREAD_UNDETERMINED,
}


def seating(situation: Situation) -> Check:
    """Seat the disk as often as the options say, and measure the lobes each time."""
    yield from on_alignment_track(situation)
    times = situation.options.seatings
    found: list[Seating] = []
    numbers: list[int] = []
    reason = ""
    unseen = 0
    for number in range(1, times + 1):
        answer = yield Do(Action.RESEAT, fill(messages.RESEAT, number, times), noticed=True)
        situation.unseen = answer == INSISTED
        unseen += situation.unseen
        measurement: Measurement = yield measure_lobes(situation, f"seating {number}")
        lobes = lobes_of(situation.profile, measurement)
        if lobes is None or not lobes.signed:
            # Without a side offsets fold about the line: their mean would mean nothing.
            reason = reason or (why_not(measurement) if lobes is None else str(messages.NO_SIGN))
            continue
        found.append(Seating(lobes.offset_um, lobes.sum_v, lobes.place_turns))
        numbers.append(number)
    if len(found) < 2:
        reason = reason or str(fill(messages.FEW_SEATINGS, len(found)))
        return concluded(situation, Verdict.UNDECIDED, unit="µm", reason=reason)
    outcome = _found(situation, seating_of(found, situation.options.wanted_um), numbers)
    if not unseen:
        return outcome
    said = fill(messages.UNSEEN_SEATINGS, unseen, times)
    return replace(outcome, reason=f"{said}; {outcome.reason}")


def _found(situation: Situation, finding: SeatingFinding, numbers: list[int]) -> Outcome:
    # Of one later seating, from so few: t-expanded.
    factor = t_factor(finding.count - 1) / 2.0
    learn(
        situation,
        seating_u_um=finding.zero_sd_um * factor,
        clamp_part=finding.sum_sd_percent / 100.0 * factor,
    )
    said: list[Message] = [_CAUSES[finding.cause]]
    if finding.stands_out is not None:
        said.append(fill(messages.STANDS_OUT, numbers[finding.stands_out]))
    needed, wanted_um = finding.seatings_needed, situation.options.wanted_um
    if needed is not None and needed > finding.count:
        said.append(fill(messages.MORE_SEATINGS, needed, f"{wanted_um:g}"))
    details = [
        Value.of("mean", finding.offset_um, "µm"),
        Value("spread of single seatings", finding.sd_um, unit="µm"),
        Value("spread of the scale", finding.scale_sd_um, unit="µm"),
        Value("spread of the zero", finding.zero_sd_um, unit="µm"),
        Value("spread of the lobes' sum", finding.sum_sd_percent, unit="%"),
    ]
    if finding.place_sd_turns is not None:
        place_deg = 360.0 * finding.place_sd_turns
        details.append(Value("spread of the lobes' place", place_deg, unit="°"))
    if needed is not None:
        details.append(Value("seatings needed", float(needed)))
    # Relative uncertainty of a standard deviation: JCGM 100, E.4.3.
    of_itself = 1.0 / math.sqrt(2.0 * (finding.count - 1))
    return concluded(
        situation,
        Verdict.NOTED,
        value=finding.standard_error_um,
        u=finding.standard_error_um * of_itself,
        unit="µm",
        reason="; ".join(map(str, said)),
        details=tuple(details),
    )
