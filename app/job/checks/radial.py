"""Radial offset of a head, and where it rests when it comes from either side: its hysteresis."""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from itertools import count
from typing import Any

from app.analysis.adjust.positioner import Arrival, HysteresisFinding, hysteresis_of
from app.analysis.budget import Part, combined_dof, combined_u
from app.analysis.messages import fill
from app.analysis.results import Geometry, Measurement, Quantity, Side, Verdict
from app.analysis.uncertainty import covering
from app.job import messages
from app.job.aims import apart_words, room_um
from app.job.budget import CLAMP, READING, scale_part
from app.job.checks.common import (
    Check,
    Hands,
    Lobes,
    arrive,
    budget_here,
    corrected_here,
    is_far_off,
    judged,
    judged_offset,
    learn,
    limit_here,
    lobes_of,
    measure_lobes,
    on_alignment_track,
    one_part,
    seek_back,
    why_not,
    without_number,
)
from app.job.model import (
    APART,
    MIDDLE,
    ROOM,
    UNSEEN,
    Action,
    Ask,
    CheckName,
    Do,
    Limit,
    Outcome,
    Rest,
    Situation,
    Stage,
    Value,
)
from app.job.verdicts import offset_limit, source_of


def radial(situation: Situation) -> Check:
    """Measure the lobes at the alignment track."""
    yield from on_alignment_track(situation, situation.head)
    measurement: Measurement = yield measure_lobes(situation, f"side {situation.head}")
    lobes = lobes_of(situation.profile, measurement)
    limit = limit_here(situation)
    if lobes is None:
        # With one lobe alone it is beyond the limit.
        verdict = Verdict.FAIL if is_far_off(measurement.reading) else Verdict.UNDECIDED
        return without_number(situation, limit, why_not(measurement), verdict)
    learn(situation, alternating=lobes.reading.geometry is Geometry.ALTERNATING)
    # Without a side the offset is a magnitude, which no correction fits.
    offset_um = corrected_here(situation, lobes.offset_um) if lobes.signed else lobes.offset_um
    reason, beside = "", ()
    if not lobes.signed:
        reason = str(messages.NO_SIGN)
    elif (apart_um := compare_heads(situation, offset_um)) is not None:
        reason, beside = _of_both(situation, apart_um)
    details = (*_details(lobes), *beside)
    return judged_offset(situation, offset_um, limit, reason=reason, details=details)


def compare_heads(situation: Situation, offset_um: Quantity) -> Quantity | None:
    """Learn how far head 1 is outward of head 0, where both were measured at one place.

    As left that changes nothing any more where it is known: by it the heads were set.

    Parameters
    ----------
    offset_um : Quantity
        Of the head in hand, corrected.
    """
    drive, beside = situation.drive, situation.known.rest
    here = Rest(offset_um, drive.arrived, drive.moves)
    if drive.side == 0:
        learn(situation, rest=here)
    elif beside is not None and (beside.arrived, beside.moves) == (here.arrived, here.moves):
        parts = tuple(Part(READING, each.u, dof=each.dof) for each in (offset_um, beside.offset_um))
        apart = offset_um.value - beside.offset_um.value
        apart_um = Quantity(apart, combined_u(parts), combined_dof(parts))
        if situation.stage is not Stage.AS_LEFT or situation.known.apart_um is None:
            learn(situation, apart_um=apart_um)
        return apart_um
    return None


def _of_both(situation: Situation, apart_um: Quantity) -> tuple[str, tuple[Value, ...]]:
    """Return what is to be told of heads that are so far apart, and the values of it.

    The disk's scale is in the distance and in the limit alike, and counts not for what is left.
    """
    own = one_part(READING, apart_um, "µm")
    clamped = replace(own, parts=(*own.parts, *_clamp_part(situation, apart_um.value)))
    of_scale = scale_part(situation.profile, apart_um.value)
    apart = replace(clamped, parts=(*clamped.parts, of_scale)).covering
    values = (Value.of(APART, apart, "µm"),)
    half_um = offset_limit(situation.profile, final=True).high
    if half_um is None:
        return "", values
    left_um = room_um(apart_um, half_um)
    room = Value.of(ROOM, replace(clamped.covering, value=left_um), "µm")
    too_far = left_um < 0.0
    said = str(fill(messages.HEADS_APART, *apart_words(apart_um, half_um))) if too_far else ""
    return said, (*values, room)


def _clamp_part(situation: Situation, size_um: float) -> tuple[Part, ...]:
    """Return what the scale of this seating leaves unsure of a difference of readings."""
    known = situation.known
    part = Part(CLAMP, known.clamp_part * abs(size_um), dof=known.seating_dof, unit="µm")
    return (part,) if part.u else ()


def _details(lobes: Lobes) -> tuple[Value, ...]:
    ratio, difference = lobes.reading.ratio, lobes.reading.difference
    assert ratio is not None
    assert difference is not None
    return (
        Value.of("as read", lobes.offset_um, "µm"),
        Value.of("ratio", ratio, ""),
        Value("difference", 100.0 * difference.value, 100.0 * difference.u, "%"),
    )


_WORDS = {Side.OUTWARD: "from outside", Side.INWARD: "from inside"}


@dataclass(frozen=True, slots=True)
class Arrivals:
    """What was found of arrivals from both sides; why it is missing, or of fewer.

    Of ``unseen`` of them the hand alone says that they were any.
    """

    finding: HysteresisFinding | None
    reason: str
    unseen: int = 0


Bring = Callable[[Situation, Side, int], Hands]
"""Has the head come to its track from one side, for the so-manieth time."""


def hysteresis(situation: Situation) -> Check:
    """Arrive from either side in turn, as often as the options say."""
    return (yield from _judged_rests(situation, arrive))


def seeks(situation: Situation) -> Check:
    """Seek from both ends of the stroke in turn, at the drive's own step rate."""
    outcome = yield from _judged_rests(situation, seek_back)
    # Another head stands elsewhere, and so did this one before it was moved.
    short = situation.last(CheckName.HYSTERESIS, here=True)
    middle, beside = outcome.detail(MIDDLE), None if short is None else short.detail(MIDDLE)
    if middle is None or beside is None:
        return outcome
    # Both have disk, climate and scale alike.
    less = Value("middle, less that of short steps", middle.value - beside.value, unit="µm")
    return replace(outcome, details=(*outcome.details, less))


def push(situation: Situation) -> Check:
    """Have the arm pushed lightly to either side and let go; what remains is its play."""
    return (yield from _judged_rests(situation, _pushed))


def _pushed(situation: Situation, side: Side, number: int) -> Hands:
    outside = side is Side.OUTWARD
    action = Action.PUSH_OUTWARD if outside else Action.PUSH_INWARD
    text = messages.PUSH_OUTWARD if outside else messages.PUSH_INWARD
    yield Do(action, fill(text, number))
    situation.unseen = False


def _judged_rests(situation: Situation, bring: Bring) -> Check:
    yield from on_alignment_track(situation, situation.head)
    rests = yield from rests_from_both(situation, situation.options.arrivals, bring)
    profile, finding = situation.profile, rests.finding
    limit_um = profile.hysteresis_limit_um
    limit = Limit(None, limit_um, "µm", source_of(profile, "hysteresis_limit_um"))
    if finding is None:
        return without_number(situation, limit, rests.reason)
    return _found(situation, finding, limit, rests)


def _found(
    situation: Situation, finding: HysteresisFinding, limit: Limit, arrivals: Arrivals
) -> Outcome:
    difference = finding.difference_um
    own = one_part(READING, difference, "µm")
    scales = (
        scale_part(situation.profile, difference.value),
        *_clamp_part(situation, difference.value),
    )
    budget = replace(own, parts=(*own.parts, *scales))
    middle = budget_here(situation, corrected_here(situation, finding.middle_um)).covering
    rests = ((Side.OUTWARD, finding.outside_um), (Side.INWARD, finding.inside_um))
    outcome = judged(
        situation,
        budget,
        limit,
        # A width has no sign, and a limit on one side.
        replace(budget, value=abs(difference.value)),
        reason=arrivals.reason,
        details=(
            Value.of(MIDDLE, middle, "µm"),
            *(
                Value.of(_WORDS[side], covering(corrected_here(situation, rest)), "µm")
                for side, rest in rests
            ),
            Value("scatter of arrivals", finding.scatter_um, unit="µm"),
            *((Value(UNSEEN, float(arrivals.unseen)),) if arrivals.unseen else ()),
        ),
    )
    if arrivals.unseen and outcome.verdict is Verdict.PASS:
        # A head that never moved has no hysteresis either.
        return replace(outcome, verdict=Verdict.UNDECIDED)
    return outcome


def arrive_from_both(situation: Situation, times: int) -> Generator[Ask, Any, Arrivals]:
    """Arrive from either side in turn, `times` times each."""
    return (yield from rests_from_both(situation, times, arrive))


def rests_from_both(
    situation: Situation, times: int, bring: Bring
) -> Generator[Ask, Any, Arrivals]:
    """Have the head come from either side in turn, `times` times each, and measure it at rest."""
    found: list[Arrival] = []
    reason = ""
    unseen = 0
    clock = count()
    for number in range(1, times + 1):
        for side in (Side.OUTWARD, Side.INWARD):
            yield from bring(situation, side, number)
            unseen += situation.unseen
            measurement: Measurement = yield measure_lobes(situation, f"{_WORDS[side]} {number}")
            lobes = lobes_of(situation.profile, measurement)
            # One that is missing takes its time all the same: the drift goes by the order.
            at_s = float(next(clock))
            if lobes is not None and lobes.signed:
                found.append(Arrival(side is Side.OUTWARD, lobes.offset_um, at_s))
            elif not reason:
                reason = why_not(measurement) if lobes is None else str(messages.NO_SIGN)
    if reason and found:
        reason = f"{fill(messages.FEW_ARRIVALS, len(found), 2 * times)}: {reason}"
    if unseen:
        said = str(fill(messages.UNSEEN_ARRIVALS, unseen, 2 * times))
        reason = "; ".join(filter(None, (said, reason)))
    if len({arrival.from_outside for arrival in found}) < 2:
        return Arrivals(None, reason, unseen)
    finding = hysteresis_of(found)
    if situation.head == 0 and bring is arrive:
        # It is head 0 that is adjusted by, as it rests after short steps.
        learn(situation, hysteresis_um=finding.difference_um)
        if situation.stage is Stage.AS_FOUND and situation.known.found_um is None:
            learn(situation, found_um=corrected_here(situation, finding.middle_um))
    return Arrivals(finding, reason, unseen)
