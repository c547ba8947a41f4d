"""Hysteresis: where the head rests when it comes from the outer and from the inner side."""

from __future__ import annotations

import math
from collections.abc import Generator
from typing import Any

import numpy as np

from app.analysis.findings import Measurement
from app.analysis.messages import fill
from app.analysis.reading import Quantity, Side, Sign
from app.analysis.uncertainty import scatter_u
from app.job import messages
from app.job.asking import (
    Check,
    arrive,
    concluded,
    on_alignment_track,
    take_lobes,
    why_not,
)
from app.job.bench import MIDDLE, Situation
from app.job.checks.radial import SCALE, SEATING
from app.job.judging import judge, source_of
from app.job.model import Ask, Limit, Value, Verdict

FROM_OUTSIDE, FROM_INSIDE = "from outside", "from inside"


def hysteresis(situation: Situation) -> Check:
    """Arrive from either side in turn, as often as the options say."""
    yield from on_alignment_track(situation)
    arrivals = yield from both_arrivals(situation, situation.options.arrivals)
    outside_um, inside_um, reason = arrivals
    limit = Limit(
        None,
        situation.profile.hysteresis_limit_um,
        "µm",
        source_of(situation.profile, "hysteresis_limit_um"),
    )
    if not outside_um or not inside_um:
        return concluded(situation, Verdict.UNDECIDED, unit="µm", limit=limit, reason=reason)
    width, middle = width_and_middle(outside_um, inside_um)
    profile = situation.profile
    scale_part = profile.scale_u_um / profile.scale_um
    budget = [
        Value("scatter", width.u, unit="µm"),
        Value(SCALE, scale_part * abs(width.value), unit="µm"),
    ]
    u_um = math.hypot(*(part.value for part in budget))
    seating_um = situation.known.seating_u_um or 0.0
    middle_u_um = math.hypot(middle.u, scale_part * middle.value, seating_um)
    details = (
        Value(MIDDLE, middle.value, middle_u_um, "µm"),
        *(
            Value(name, found.value, found.u, "µm")
            for name, found in (
                (FROM_OUTSIDE, _mean(outside_um)),
                (FROM_INSIDE, _mean(inside_um)),
            )
        ),
        *([Value(SEATING, seating_um, unit="µm")] if seating_um else []),
    )
    return concluded(
        situation,
        judge(abs(width.value), u_um, limit),
        value=width.value,
        u=u_um,
        unit="µm",
        limit=limit,
        reason=reason,
        details=details,
        budget=tuple(budget),
    )


def both_arrivals(
    situation: Situation, times: int
) -> Generator[Ask, Any, tuple[list[Quantity], list[Quantity], str]]:
    """Arrive from either side `times` times, in turn; return the offsets and why some lack."""
    found: dict[Side, list[Quantity]] = {Side.OUTWARD: [], Side.INWARD: []}
    reason = ""
    for number in range(1, times + 1):
        for side, word in ((Side.OUTWARD, FROM_OUTSIDE), (Side.INWARD, FROM_INSIDE)):
            yield from arrive(situation, side, number)
            measurement: Measurement = yield take_lobes(situation, f"{word} {number}")
            reading = measurement.reading
            if reading is None or not reading.valid or reading.offset_um is None:
                reason = reason or why_not(measurement)
            elif reading.sign is Sign.UNKNOWN:
                reason = reason or str(messages.NO_SIGN)
            else:
                assert reading.balance is not None
                u_um = situation.profile.scale_um * reading.balance.u
                found[side].append(Quantity(reading.offset_um.value, u_um))
    got = sum(map(len, found.values()))
    if reason and got:
        reason = f"{fill(messages.FEW_ARRIVALS, got, 2 * times)}: {reason}"
    return found[Side.OUTWARD], found[Side.INWARD], reason


def width_and_middle(
    outside_um: list[Quantity], inside_um: list[Quantity]
) -> tuple[Quantity, Quantity]:
    """Return the distance of the two positions of rest, and the middle between them."""
    outside, inside = _mean(outside_um), _mean(inside_um)
    u_um = math.hypot(outside.u, inside.u)
    return (
        Quantity(outside.value - inside.value, u_um),
        Quantity((outside.value + inside.value) / 2.0, u_um / 2.0),
    )


def _mean(found: list[Quantity]) -> Quantity:
    values = np.array([each.value for each in found])
    own = math.hypot(*(each.u for each in found)) / len(found)
    u = max(own, scatter_u(values)) if len(found) > 1 else own
    return Quantity(float(values.mean()), float(u))
