"""Spindle speed: as it is, and brought to its place by the trimmer."""

from __future__ import annotations

from dataclasses import replace

from app.analysis.messages import fill
from app.analysis.results import Measurand, Measurement, SpeedFinding, Verdict
from app.job import messages
from app.job.checks.common import (
    Check,
    change,
    judged,
    on_alignment_track,
    one_part,
    why_not,
    without_number,
)
from app.job.model import Action, CheckName, Do, Measure, Outcome, Situation, Stage, Value
from app.job.verdicts import either_side

_GOAL_PART = 0.1
"""Of the tolerance: the trimmer brings the speed so close."""
_MOST_TRIMS = 5
_FLASHES_PER_CYCLE = 2
_MAINS_HZ = (50, 60)
TRIMMED = "trimmed"
"""What the label of each measurement after a turn of the trimmer begins with."""


def speed(situation: Situation) -> Check:
    """Measure the speed; in the work, trim it where it was not within its tolerance."""
    before = situation.last(CheckName.SPEED)
    if situation.stage is not Stage.WORK:
        yield from on_alignment_track(situation)
        measurement = yield _measure_speed(situation, str(situation.stage))
        return _outcome(situation, measurement)
    if before is not None and before.verdict is Verdict.PASS:
        of_now = {"stage": situation.stage, "reason": str(messages.SPEED_LEFT_ALONE)}
        return replace(before, **of_now, details=(), ended_at="")
    yield from on_alignment_track(situation)
    measurement = yield _measure_speed(situation, "before trimming")
    if situation.profile.trimmer is False:
        outcome = _outcome(situation, measurement)
        if outcome.verdict is Verdict.PASS or outcome.value is None:
            return outcome
        return replace(outcome, reason=str(messages.NO_TRIMMER))
    for number in range(1, _MOST_TRIMS + 1):
        if measurement.speed is None:
            break
        away_percent = _away_percent(situation, measurement.speed)
        if abs(away_percent) <= _GOAL_PART * situation.profile.speed_tolerance_percent:
            break
        percent = -100.0 * away_percent / (100.0 + away_percent)
        word = "faster" if percent > 0.0 else "slower"
        text = fill(messages.TRIM_SPEED, f"{abs(percent):.2f}", word)
        yield Do(Action.TRIM_SPEED, text, amount=percent)
        change(situation, trims=situation.drive.trims + 1)
        measurement = yield _measure_speed(situation, f"{TRIMMED} {number}")
    return _outcome(situation, measurement)


def bars_of_a_ring(rpm: float) -> tuple[tuple[int, int], ...]:
    """Return mains frequency and bars of each strobe ring that would stand still at `rpm`.

    A lamp flashes twice a cycle; a ring has a whole number of bars, or there is none.
    """
    rings = []
    for mains_hz in _MAINS_HZ:
        bars = 60.0 * _FLASHES_PER_CYCLE * mains_hz / rpm
        whole = round(bars)
        if abs(bars - whole) < 1e-9:
            rings.append((mains_hz, whole))
    return tuple(rings)


def _measure_speed(situation: Situation, label: str) -> Measure:
    drive, turns = situation.drive, situation.options.speed_turns
    return Measure(Measurand.SPEED, messages.TAKING_SPEED, label, turns, drive.track, drive.side)


def _away_percent(situation: Situation, found: SpeedFinding) -> float:
    return 100.0 * (found.mean_rpm.value / situation.profile.speed_rpm - 1.0)


def _outcome(situation: Situation, measurement: Measurement) -> Outcome:
    profile, found = situation.profile, measurement.speed
    rpm = profile.speed_rpm
    half_rpm = rpm * profile.speed_tolerance_percent / 100.0
    limit = either_side(profile, "speed_tolerance_percent", half_rpm, "rpm", about=rpm)
    if found is None:
        return without_number(situation, limit, why_not(measurement))
    u = found.mean_rpm.u
    details = [Value("error", _away_percent(situation, found), 100.0 * u / rpm, "%")]
    for name, part, unit in (
        ("short-term variation", found.variation_percent, "%"),
        ("drift", found.drift_percent_per_min, "%/min"),
    ):
        if part is not None:
            details.append(Value.of(name, part, unit))
    for mains_hz, bars in bars_of_a_ring(rpm):
        details.append(Value(f"bars of a strobe ring at {mains_hz} Hz", float(bars)))
    budget = one_part("clock and scatter", found.mean_rpm, "rpm")
    return judged(situation, budget, limit, details=tuple(details))
