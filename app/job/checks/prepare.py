"""Before power: cautions, write protect, climate. Seating of the disk; what is seen at track 0."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from app.analysis.adjust.climate import (
    NORMAL_C,
    NORMAL_PERCENT,
    ROOM_C,
    ROOM_PERCENT,
    Climate,
    chassis_range_c,
    climate_of,
)
from app.analysis.adjust.disk import (
    Seating,
    SeatingFinding,
    SpreadCause,
    seating_of,
)
from app.analysis.budget import combined_u
from app.analysis.messages import fill
from app.analysis.results import Measurement, Message, Quantity, Verdict
from app.job import messages
from app.job.budget import climate_u_um, film_of
from app.job.checks.common import (
    Check,
    change,
    concluded,
    learn,
    lobes_of,
    measure_lobes,
    on_alignment_track,
    on_track,
    reseat,
    why_not,
    with_alignment_disk,
)
from app.job.model import Action, Ask, Do, Enter, Outcome, Situation, Value
from app.job.verdicts import offset_limit
from app.profiles import Profile

CAUTIONS = (
    messages.MAINS,
    messages.GROUND_CLIP,
    messages.LINE_INPUT,
    messages.MOVING_PARTS,
    messages.NEVER_WRITE,
)
YES, NO = "yes", "no"
_USUAL = Climate(NORMAL_C, NORMAL_C, NORMAL_PERCENT)
"""One that is said, to tell how much that helps."""
SHIFT = "correction for temperature and humidity"


def care(situation: Situation) -> Check:
    """Go through what comes before power and before the alignment disk goes in."""
    for caution in CAUTIONS:
        yield Do(Action.CONFIRM, caution)
    refused = yield from _prove_protect(situation)
    if refused == NO:
        return concluded(situation, Verdict.FAIL, reason=str(messages.NOT_REFUSED))
    yield Do(Action.CLEAN_HEADS, messages.CLEAN_HEADS)
    said, minutes = yield from _climate(situation.profile)
    yield from with_alignment_disk(situation)
    parts = climate_of(said, film_of(situation.profile))
    learn(situation, climate=parts)
    factor = 1e-3 * situation.profile.alignment_radius_mm
    shift_um = Quantity(sum(part.value for part in parts), combined_u(parts))
    return concluded(
        situation,
        Verdict.NOTED,
        reason="" if refused == YES else str(messages.PROTECT_UNKNOWN),
        details=(
            *_told(said, minutes),
            Value(SHIFT, factor * shift_um.value, factor * shift_um.u, "µm"),
        ),
    )


def _prove_protect(situation: Situation) -> Generator[Ask, Any, str | None]:
    yield Do(Action.PROVE_PROTECT, messages.PROVE_PROTECT)
    refused = yield Enter("write refused", messages.WAS_IT_REFUSED, choices=(YES, NO))
    change(situation, disk=None, protect_proved=refused == YES, protect_failed=refused == NO)
    return refused


def _climate(profile: Profile) -> Generator[Ask, Any, tuple[Climate, float | None]]:
    """Ask for the climate, and for how long the drive has been on."""
    allowed_um = offset_limit(profile, final=True).high or 0.0
    numbers_um = (climate_u_um(profile, Climate()), allowed_um, climate_u_um(profile, _USUAL))
    words = fill(messages.ROOM_TEMPERATURE, *(f"{each:.0f}" for each in numbers_um))
    room = yield Enter("room temperature", words, "°C", *ROOM_C)
    ends_c = chassis_range_c(room)
    chassis = yield Enter("chassis temperature", messages.CHASSIS_TEMPERATURE, "°C", *ends_c)
    humidity = yield Enter("relative humidity", messages.HUMIDITY, "%", *ROOM_PERCENT)
    minutes = yield Enter("minutes since power-on", messages.MINUTES_ON, "min", 0.0, 10_000.0)
    return Climate(room, chassis, humidity), minutes


def _told(said: Climate, minutes: float | None) -> list[Value]:
    values = (
        ("room temperature", said.room_c, "°C"),
        ("chassis temperature", said.chassis_c, "°C"),
        ("relative humidity", said.humidity_percent, "%"),
        ("minutes since power-on", minutes, "min"),
    )
    return [Value(key, value, None, unit) for key, value, unit in values if value is not None]


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


@dataclass(frozen=True, slots=True)
class Seatings:
    """What was found of seatings; why it is missing, or of fewer.

    ``numbers`` are those that were read. At ``unseen`` of all the hand alone says that there was
    a seating.
    """

    finding: SeatingFinding | None
    numbers: tuple[int, ...]
    reason: str
    unseen: int


def seating(situation: Situation) -> Check:
    """Seat the disk as often as the options say, and measure the lobes each time."""
    yield from on_alignment_track(situation)
    seatings = yield from seat_repeatedly(situation)
    if seatings.finding is None:
        return concluded(situation, Verdict.UNDECIDED, unit="µm", reason=seatings.reason)
    outcome = _found(situation, seatings.finding, seatings.numbers)
    if not seatings.unseen:
        return outcome
    said = fill(messages.UNSEEN_SEATINGS, seatings.unseen, situation.options.seatings)
    return replace(outcome, reason=f"{said}; {outcome.reason}")


def seat_repeatedly(situation: Situation) -> Generator[Ask, Any, Seatings]:
    """Have the disk seated as often as the options say, and learn from the lobes of each time."""
    times = situation.options.seatings
    found: list[Seating] = []
    numbers: list[int] = []
    reason = ""
    unseen = 0
    for number in range(1, times + 1):
        yield from reseat(situation, fill(messages.RESEAT, number, times))
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
        return Seatings(None, tuple(numbers), reason, unseen)
    finding = seating_of(found, situation.options.wanted_um)
    if numbers[-1] == times:
        learn(situation, seated_um=finding.newest_um)
    learn(
        situation,
        seating_u_um=finding.zero_sd_um,
        clamp_part=finding.sum_sd_percent / 100.0,
        seating_dof=finding.count - 1.0,
    )
    return Seatings(finding, tuple(numbers), "", unseen)


def _found(situation: Situation, finding: SeatingFinding, numbers: tuple[int, ...]) -> Outcome:
    said: list[Message] = [_CAUSES[finding.cause]]
    if finding.stands_out is not None:
        said.append(fill(messages.STANDS_OUT, numbers[finding.stands_out]))
    needed, wanted_um = finding.seatings_needed, situation.options.wanted_um
    if needed is not None and needed > finding.count:
        said.append(fill(messages.MORE_SEATINGS, needed, f"{wanted_um:g}"))
    details = [
        Value.of("mean, as read", finding.offset_um, "µm"),
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
