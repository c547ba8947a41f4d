"""Head output: what comes back of tracks of one frequency, written to a scratch disk."""

from __future__ import annotations

import math

from app.analysis.findings import Measurement, OutputFinding, Want
from app.analysis.messages import fill
from app.analysis.reading import Quantity
from app.job import messages
from app.job.asking import Check, concluded, on_track, why_not, with_scratch_disk
from app.job.bench import Situation
from app.job.model import Action, Do, Take, Value, Verdict

_WRITES = (("1F", Action.WRITE_1F), ("2F", Action.WRITE_2F))


def output(situation: Situation) -> Check:
    """Write and measure the outermost and the innermost track, with 1F and with 2F."""
    yield from with_scratch_disk(situation)
    found: dict[tuple[str, str], OutputFinding] = {}
    reason = ""
    side = situation.side
    for place, track in (("outer", 0), ("inner", situation.profile.tracks - 1)):
        yield from on_track(situation, track, side)
        for pattern, action in _WRITES:
            yield Do(action, fill(messages.WRITE, track, side, pattern), track=track, side=side)
            measurement: Measurement = yield Take(
                Want.OUTPUT,
                messages.TAKING_OUTPUT,
                f"{place} {pattern}",
                situation.options.turns,
                track,
                side,
            )
            # An output may lack a part, and say why.
            reason = reason or why_not(measurement)
            if measurement.output is not None:
                found[place, pattern] = measurement.output
    resolution = _resolution(found, "inner")
    details = tuple(_details(found))
    if resolution is None:
        return concluded(situation, Verdict.UNDECIDED, unit="%", reason=reason, details=details)
    return concluded(
        situation,
        Verdict.NOTED,
        value=resolution.value,
        u=resolution.u,
        unit="%",
        reason=reason,
        details=details,
    )


def _resolution(found: dict[tuple[str, str], OutputFinding], place: str) -> Quantity | None:
    """Return 2F over 1F on one track, in per cent (ISO 7487 family, from memory)."""
    first, second = found.get((place, "1F")), found.get((place, "2F"))
    if first is None or second is None or first.amplitude_v.value <= 0.0:
        return None
    upper, lower = second.amplitude_v, first.amplitude_v
    value = 100.0 * upper.value / lower.value
    return Quantity(value, math.hypot(100.0 * upper.u, value * lower.u) / lower.value)


def _details(found: dict[tuple[str, str], OutputFinding]) -> list[Value]:
    rows: list[Value] = []
    for (place, pattern), one in found.items():
        for name, quantity, unit in (
            ("amplitude", one.amplitude_v, "V"),
            ("modulation", one.modulation_percent, "%"),
            ("asymmetry", one.asymmetry_ns, "ns"),
        ):
            if quantity is not None:
                rows.append(Value(f"{name}, {place} {pattern}", quantity.value, quantity.u, unit))
    outer = _resolution(found, "outer")
    if outer is not None:
        rows.append(Value("resolution, outer", outer.value, outer.u, "%"))
    return rows
