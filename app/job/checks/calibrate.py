"""Calibration on the bench: the alignment disk's scale, its zero, and a working disk's zero.

What is found is kept as any outcome is, and corrects later jobs with that disk; nothing is judged.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

from app.analysis.adjust.calibration import ScaleFinding, difference_of, mean_of, scale_of
from app.analysis.budget import Budget, Part
from app.analysis.messages import fill
from app.analysis.results import Measurement, Message, Quantity, Side, Verdict
from app.job import messages
from app.job.budget import SEATING, ZERO, corrections, scale_part
from app.job.checks.common import (
    Barred,
    Check,
    Lobes,
    arrive,
    bar_where_unprotected,
    by_budget,
    change,
    concluded,
    lobes_of,
    measure_lobes,
    on_alignment_track,
    reseat,
    why_not,
)
from app.job.checks.gauge import left_at, moved_to, with_gauge
from app.job.model import ALIGNMENT, Action, Ask, Do, Enter, Outcome, Situation, Value

_PLACES = range(-3, 4)
"""Of the scale's calibration, in fifths of the nominal scale: both lobes are seen at each."""
_FIFTH = 0.2
_GAUGE_PERCENT = 1.0
"""Standard uncertainty of a gauge's own scale where nothing is said of it (our choice, from no
source)."""
_ROUNDS = 3
"""How often original and working disk are measured in turn."""
_UNSTATED_U_UM = 2.0
"""Of a check standard's offset where nothing is said of it (our choice, from no source)."""


def scale(situation: Situation) -> Check:
    """Measure the balance at known places, the disk seated anew at each: the slope is the scale."""
    yield from on_alignment_track(situation, situation.head)
    part = yield Enter("u of the gauge's scale", messages.GAUGE_SCALE_U, "%", 0.0, 20.0)
    first = yield measure_lobes(situation, "before")
    lobes = _signed(situation, first)
    if not isinstance(lobes, Lobes):
        return _without_number(situation, lobes)
    start_um = lobes.offset_um.value
    gauge = yield from with_gauge(situation)
    places: list[Quantity] = []
    balances: list[Quantity] = []
    for fifths in _PLACES:
        aim_um = fifths * _FIFTH * situation.profile.scale_um - start_um
        told = yield from moved_to(gauge, aim_um)
        if told:
            yield from reseat(situation, messages.RESEAT_HERE)
            there = yield measure_lobes(situation, f"at {gauge.now_um:+.0f} µm")
            lobes = _signed(situation, there)
            if isinstance(lobes, Lobes) and lobes.reading.balance is not None:
                places.append(gauge.place_um)
                balances.append(lobes.reading.balance)
    yield from left_at(situation, gauge, 0.0)
    finding = scale_of(places, balances)
    if isinstance(finding, Message):
        return _without_number(situation, str(finding))
    return _scale_outcome(situation, finding, _GAUGE_PERCENT if part is None else part, len(places))


def _scale_outcome(
    situation: Situation, finding: ScaleFinding, gauge_percent: float, count: int
) -> Outcome:
    found = finding.scale_um
    gauge_u_um = found.value * gauge_percent / 100.0
    parts = (
        Part("places and balances", found.u, dof=found.dof, unit="µm"),
        Part("scale of the gauge", gauge_u_um, unit="µm"),
    )
    return _calibrated(
        situation,
        Budget(found.value, tuple(each for each in parts if each.u > 0.0)),
        Value("places", float(count)),
        Value("scatter of the places about the line", finding.residual_um, unit="µm"),
        Value("place of even lobes", finding.even_um, unit="µm"),
    )


def zero(situation: Situation) -> Check:
    """Measure the disk in a check standard, a drive whose head's offset is known: its zero."""
    offset_um = yield Enter("check standard's offset", messages.STANDARD_UM, "µm", -500.0, 500.0)
    u_um = yield Enter("u of the check standard", messages.STANDARD_U, "µm", 0.01, 100.0)
    if offset_um is None:
        raise Barred(str(messages.STANDARD_UNTOLD))
    yield from on_alignment_track(situation, situation.head)
    if situation.drive.arrived is None:
        yield from arrive(situation, Side.OUTWARD)
    read = yield from _seatings(situation, situation.options.seatings)
    if isinstance(read, str):
        return _without_number(situation, read)
    found = mean_of(read)
    fixed = _climate(situation)
    value = found.value + sum(part.value for part in fixed) - offset_um
    parts = (
        Part("seatings", found.u, dof=found.dof, unit="µm"),
        Part("check standard", _UNSTATED_U_UM if u_um is None else u_um, -offset_um, unit="µm"),
        scale_part(situation.profile, found.value),
        *fixed,
    )
    budget = Budget(value, tuple(each for each in parts if each.u > 0.0 or each.value))
    return _calibrated(situation, budget, Value("seatings", float(len(read))))


def working_disk(situation: Situation) -> Check:
    """Measure the original and a working disk in turn, the head untouched: the working's zero."""
    bar_where_unprotected(situation)
    zero_um, zero_u_um = yield from _zero_of_original(situation)
    read: dict[Message, list[float]] = {messages.INSERT_ORIGINAL: [], messages.INSERT_WORKING: []}
    for _ in range(_ROUNDS):
        for words, found in read.items():
            # Each insertion of the original wears it, and is counted.
            is_original = words == messages.INSERT_ORIGINAL
            yield Do(Action.INSERT_ALIGNMENT if is_original else Action.INSERT_COVERED, words)
            change(situation, disk=ALIGNMENT)
            yield from on_alignment_track(situation, situation.head)
            each = yield from _seatings(situation, 1, f"{len(found) + 1}", seated=True)
            if isinstance(each, str):
                return _without_number(situation, each)
            found += each
    original, working = read.values()
    apart = difference_of(working, original)
    parts = (
        Part("seatings of both", apart.u, dof=apart.dof, unit="µm"),
        Part("zero of the original", zero_u_um, zero_um, unit="µm"),
        scale_part(situation.profile, apart.value),
    )
    budget = Budget(zero_um + apart.value, tuple(each for each in parts if each.u > 0.0))
    return _calibrated(situation, budget, Value.of("working minus original, as read", apart, "µm"))


def _seatings(
    situation: Situation, times: int, label: str = "", *, seated: bool = False
) -> Generator[Ask, Any, list[float] | str]:
    """Measure the offset as it is read, the disk seated anew each time; or why it cannot be."""
    found: list[float] = []
    for number in range(1, times + 1):
        if not seated:
            yield from reseat(situation, fill(messages.RESEAT, number, times))
        measurement: Measurement = yield measure_lobes(situation, f"seating {label or number}")
        lobes = _signed(situation, measurement)
        if not isinstance(lobes, Lobes):
            return lobes
        found.append(lobes.offset_um.value)
    return found


def _signed(situation: Situation, measurement: Measurement) -> Lobes | str:
    """Return the lobes of a measurement whose side is known, or why there are none."""
    lobes = lobes_of(situation.profile, measurement)
    if lobes is None:
        return why_not(measurement)
    return lobes if lobes.signed else str(messages.NO_SIGN)


def _climate(situation: Situation) -> tuple[Part, ...]:
    """Return what the climate adds to a reading: all corrections but the zero, which is sought."""
    every = corrections(situation.profile, situation.known, situation.head)
    return tuple(part for part in every if part.name not in (ZERO, SEATING))


def _zero_of_original(situation: Situation) -> Generator[Ask, Any, tuple[float, float]]:
    """Ask for the original's zero and its u; where it is left open, the class's count."""
    every = corrections(situation.profile, situation.known, situation.head)
    stated = next(part for part in every if part.name == ZERO)
    zero_um = yield Enter("zero of the original", messages.ORIGINAL_UM, "µm", -500.0, 500.0)
    if zero_um is None:
        return 0.0 - stated.value, stated.u
    u_um = yield Enter("u of the original", messages.ORIGINAL_U, "µm", 0.01, 100.0)
    return zero_um, stated.u if u_um is None else u_um


def _without_number(situation: Situation, reason: str) -> Outcome:
    return concluded(situation, Verdict.UNDECIDED, unit="µm", reason=reason)


def _calibrated(situation: Situation, budget: Budget, *details: Value) -> Outcome:
    return concluded(
        situation,
        Verdict.NOTED,
        unit="µm",
        reason=str(messages.CALIBRATED),
        details=details,
        **by_budget(budget),
    )
