"""Seating: how much of the reading each closing of the clamp makes anew."""

from __future__ import annotations

import math

from app.analysis.bench.seating import Seating, SeatingFinding, SpreadCause, seating_of
from app.analysis.findings import Measurement
from app.analysis.messages import fill
from app.analysis.reading import Message
from app.analysis.statistics.uncertainty import enlargement
from app.job import messages
from app.job.asking import Check, concluded, learn, on_alignment_track, take_lobes, why_not
from app.job.bench import Situation
from app.job.lobes import lobes_of
from app.job.model import Action, Do, Outcome, Value, Verdict

_CAUSES = {
    SpreadCause.NOISE: messages.SPREAD_NOISE,
    SpreadCause.SCALE: messages.SPREAD_SCALE,
    SpreadCause.ZERO: messages.SPREAD_ZERO,
    SpreadCause.BOTH: messages.SPREAD_BOTH,
    SpreadCause.UNTOLD: messages.SPREAD_UNTOLD,
}


def seating(situation: Situation) -> Check:
    """Seat the disk as often as the options say, and measure the lobes each time."""
    yield from on_alignment_track(situation)
    times = situation.options.seatings
    found: list[Seating] = []
    numbers: list[int] = []
    reason = ""
    for number in range(1, times + 1):
        yield Do(Action.RESEAT, fill(messages.RESEAT, number, times))
        measurement: Measurement = yield take_lobes(situation, f"seating {number}")
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
    return _found(situation, seating_of(found, situation.options.wanted_um), numbers)


def _found(situation: Situation, finding: SeatingFinding, numbers: list[int]) -> Outcome:
    # Of one later seating, from so few: enlarged, so that ±2u covers 95 %.
    factor = enlargement(finding.count - 1)
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
        Value("mean", finding.offset_um.value, finding.offset_um.u, "µm"),
        Value("spread of single seatings", finding.sd_um, unit="µm"),
        Value("spread of the scale", finding.scale_sd_um, unit="µm"),
        Value("spread of the zero", finding.zero_sd_um, unit="µm"),
        Value("spread of the lobes' sum", finding.sum_sd_percent, unit="%"),
    ]
    if finding.place_sd_turns is not None:
        details.append(
            Value("spread of the lobes' place", 360.0 * finding.place_sd_turns, unit="°")
        )
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
