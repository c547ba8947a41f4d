"""Azimuth, index timing and output of a head, by bursts and by tracks of one frequency."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import replace
from typing import Any

from app.analysis.budget import Budget, Part
from app.analysis.messages import fill
from app.analysis.results import Measurand, Measurement, Message, OutputFinding, Quantity, Verdict
from app.job import messages
from app.job.checks.common import (
    Check,
    concluded,
    judged,
    learn,
    on_track,
    one_part,
    why_not,
    with_alignment_disk,
    with_scratch_disk,
    without_number,
)
from app.job.model import Action, Ask, Do, Limit, Measure, Outcome, Situation, Value
from app.job.verdicts import either_side

_AZIMUTH_TURNS = 20
_INDEX_TURNS = 40
"""Noise moves the start of a burst by up to a microsecond in a single turn."""


def azimuth(situation: Situation) -> Check:
    """Measure the heights of bursts at known angles; their loss tells the head's angle."""
    profile = situation.profile
    limit = either_side(profile, "azimuth_limit_arcmin", profile.azimuth_limit_arcmin, "arcmin")
    ask = (Measurand.AZIMUTH, messages.TAKING_AZIMUTH, _AZIMUTH_TURNS)
    found = yield from _bursts(situation, limit, profile.azimuth_track, *ask)
    if isinstance(found, Outcome):
        return found
    misfit = Value("misfit", found.misfit_percent, unit="%")
    bursts = (Value.of(f"burst {n}", each.height_v, "V") for n, each in enumerate(found.bursts, 1))
    angle = found.angle_arcmin
    width_u = found.width_u_arcmin
    own_u = math.sqrt(max(0.0, angle.u**2 - width_u**2))
    parts = (Part("heights", own_u, unit="arcmin"), Part("head's width", width_u, unit="arcmin"))
    budget = Budget(angle.value, tuple(part for part in parts if part.u > 0.0))
    outcome = judged(situation, budget, limit, details=(misfit, *bursts))
    # With the signs the other way round the heights fit as well, and the angle is the other.
    return (
        _noted(outcome, messages.ANGLES_GUESSED) if profile.guesses("azimuth_arcmin") else outcome
    )


def index_timing(situation: Situation) -> Check:
    """Measure from the edge of the index to the start of the burst, outer track less inner too.

    The outermost track is judged: the class states no other.
    """
    profile = situation.profile
    about_us, half_us = profile.index_to_burst_us, profile.index_to_burst_tolerance_us
    limit = Limit(None, None, "µs", "")
    if about_us is not None and half_us is not None:
        limit = either_side(profile, "index_to_burst_us", half_us, "µs", about=about_us)
    track, *others = profile.index_tracks or (None,)
    ask = (Measurand.INDEX, messages.TAKING_INDEX, _INDEX_TURNS)
    found = yield from _bursts(situation, limit, track, *ask)
    if isinstance(found, Outcome):
        return found
    details = [
        Value("scatter of single turns", found.scatter_us, unit="µs"),
        Value("turns", float(found.turns)),
    ]
    unfound: list[str] = []
    for other in others:
        more = yield from _bursts(situation, limit, other, *ask)
        if isinstance(more, Outcome):
            unfound.append(str(fill(messages.TRACK_WITHOUT, other, more.reason)))
        else:
            details += _skew(other, found.delay_us, more.delay_us)
    budget = one_part("starts of the burst", found.delay_us, "µs")
    told = {"details": tuple(details), "reason": "; ".join(unfound)}
    outcome = judged(situation, budget, limit, **told)
    return outcome if limit.source else replace(_noted(outcome, messages.NO_LIMIT), limit=None)


def _skew(track: int, outer_us: Quantity, inner_us: Quantity) -> tuple[Value, Value]:
    """Return the burst's start on an inner track, and by how much it is later on the outer one.

    A carriage that does not go along a radius makes that.
    """
    skew_us = Quantity(outer_us.value - inner_us.value, math.hypot(outer_us.u, inner_us.u))
    return (
        Value.of(f"start on track {track}", inner_us, "µs"),
        Value.of(f"skew of the carriage, to track {track}", skew_us, "µs"),
    )


def _noted(outcome: Outcome, why: Message) -> Outcome:
    """Return an outcome that is told and not judged."""
    reason = "; ".join(filter(None, (str(why), outcome.reason)))
    return replace(outcome, verdict=Verdict.NOTED, conformity=None, reason=reason)


def _bursts(
    situation: Situation,
    limit: Limit,
    track: int | None,
    measurand: Measurand,
    message: Message,
    turns: int,
) -> Generator[Ask, Any, Any]:
    """Measure bursts on a track of the alignment disk; returns the finding, or else the outcome."""
    head = situation.head
    if track is None:
        return without_number(situation, limit, str(messages.NO_BURSTS), Verdict.NOTED)
    yield from with_alignment_disk(situation)
    yield from on_track(situation, track, head)
    measurement: Measurement = yield Measure(measurand, message, f"side {head}", turns, track, head)
    found = measurement.azimuth or measurement.index
    return found or without_number(situation, limit, why_not(measurement))


_WRITES = (("1F", Action.WRITE_1F), ("2F", Action.WRITE_2F))


def output(situation: Situation) -> Check:
    """Write and measure the outermost and the innermost track, with 1F and with 2F."""
    yield from with_scratch_disk(situation)
    found: dict[tuple[str, str], OutputFinding] = {}
    reason = ""
    head, turns = situation.head, situation.options.turns
    for place, track in (("outer", 0), ("inner", situation.profile.tracks - 1)):
        yield from on_track(situation, track, head)
        for pattern, action in _WRITES:
            yield Do(action, fill(messages.WRITE, track, head, pattern), track=track, head=head)
            label = f"{place} {pattern}"
            measurement: Measurement = yield Measure(
                Measurand.OUTPUT, messages.TAKING_OUTPUT, label, turns, track, head
            )
            # An output may lack a part, and say why.
            reason = reason or why_not(measurement)
            if measurement.output is not None:
                found[place, pattern] = measurement.output
    once = [each.once_percent for (_, by), each in found.items() if by == "1F"]
    if once:
        # Of two heads the one that is worse counts for both.
        before = 0.0 if head == 0 else situation.known.once_part or 0.0
        learn(situation, once_part=max(before, max(once) / 100.0))
    resolution = _resolution(found, "inner")
    more = {"unit": "%", "reason": reason, "details": tuple(_details(found))}
    if resolution is None:
        return concluded(situation, Verdict.UNDECIDED, **more)
    return concluded(situation, Verdict.NOTED, value=resolution.value, u=resolution.u, **more)


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
            ("modulation once a turn", one.once_percent, "%"),
            ("asymmetry", one.asymmetry_ns, "ns"),
        ):
            if quantity is not None:
                rows.append(Value.of(f"{name}, {place} {pattern}", quantity, unit))
    outer = _resolution(found, "outer")
    if outer is not None:
        rows.append(Value.of("resolution, outer", outer, "%"))
    return rows
