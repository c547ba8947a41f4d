"""Without an alignment disk: the head against an ordinary track that stands alone.

The head is moved to both sides by known distances, and the track's strength is measured at each.
What comes of it is relative to whoever wrote the track: no absolute zero is known.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from app.analysis.adjust.flanks import FEW_PLACES, HIGH, LOW, FlankFinding, centre_of
from app.analysis.budget import Budget, Part
from app.analysis.messages import fill
from app.analysis.results import Measurand, Measurement, Message, Quantity, Verdict
from app.job import messages
from app.job.checks.common import (
    Check,
    bar_where_unprotected,
    by_budget,
    change,
    concluded,
    on_track,
    why_not,
)
from app.job.checks.gauge import Gauge, left_at, moved_to, with_gauge
from app.job.model import ORDINARY, Action, Ask, Do, Enter, Measure, Outcome, Situation, Value

LEAVE = "leave the head"
MIDDLE_OF_TRACK, AS_FOUND = "middle", "as found"
_COARSE = 8.0
"""Steps that cross the head on the plateau."""
_FALL = 0.12
"""By how much of the plateau the amplitude is to fall from one place on a flank to the next."""
_FINE = 0.25
"""The smallest step, in coarse ones."""
_GAP = 0.2
"""The same where something is missing between two places."""
_MOST_FILLS = 3
"""Each halves what is missing."""
_PLATEAU = 0.95
_MOST_PLACES = 24
"""On one side."""


@dataclass(slots=True)
class _Survey:
    """What has been measured so far."""

    track: int
    coarse_um: float
    gauge: Gauge
    places_um: list[Quantity] = field(default_factory=list)
    levels_v: list[Quantity] = field(default_factory=list)

    @property
    def top_v(self) -> float:
        """The largest amplitude so far."""
        return max(each.value for each in self.levels_v)

    @property
    def gaps_um(self) -> list[float]:
        """Places in the middle of what is missing on the flanks, from inside outward."""
        ready = sorted(zip(self.places_um, self.levels_v, strict=True), key=lambda e: e[0].value)
        gaps: list[float] = []
        for (here, before), (there, after) in pairwise(ready):
            low, high = sorted(each.value / self.top_v for each in (before, after))
            if low < HIGH and high > LOW and high - low > _GAP:
                gaps.append((here.value + there.value) / 2.0)
        return gaps

    def step_from(self, level_v: float) -> float:
        """Return how far to go to the next place, on a flank by the steepest stretch so far."""
        if level_v > _PLATEAU * self.top_v or len(self.places_um) == 1:
            return self.coarse_um
        places = sorted(zip(self.places_um, self.levels_v, strict=True), key=lambda e: e[0].value)
        slopes = [
            abs(after.value - before.value) / (there.value - here.value)
            for (here, before), (there, after) in pairwise(places)
            if there.value > here.value
        ]
        steepest = max(slopes, default=0.0)
        if not steepest:
            return self.coarse_um
        return min(max(_FALL * self.top_v / steepest, _FINE * self.coarse_um), self.coarse_um)


def centre(situation: Situation) -> Check:
    """Measure the head against an ordinary track, and bring it to the middle where that is asked.

    Without a way to move it nothing is measured.
    """
    survey = yield from _prepared(situation)
    problem = yield from _surveyed(situation, survey)
    finding = problem or centre_of(survey.places_um, survey.levels_v)
    for _ in range(_MOST_FILLS):
        if finding == FEW_PLACES:
            problem = yield from _filled(situation, survey)
            finding = problem or centre_of(survey.places_um, survey.levels_v)
    if not isinstance(finding, FlankFinding):
        yield from left_at(situation, survey.gauge, 0.0)
        return concluded(situation, Verdict.UNDECIDED, unit="µm", reason=str(finding))
    if survey.gauge.by_nudges:
        where = yield Enter(LEAVE, messages.LEAVE_WHERE, choices=(MIDDLE_OF_TRACK, AS_FOUND))
        aim_um = finding.centre_um.value if where == MIDDLE_OF_TRACK else 0.0
        yield from left_at(situation, survey.gauge, aim_um)
    end_um = survey.gauge.now_um if survey.gauge.by_nudges else 0.0
    return _outcome(situation, survey, finding, end_um)


def _prepared(situation: Situation) -> Generator[Ask, Any, _Survey]:
    """Have the disk in, the head on the track, and a way to move it by known distances."""
    drive, profile = situation.drive, situation.profile
    bar_where_unprotected(situation)
    if drive.disk != ORDINARY:
        yield Do(Action.INSERT_COVERED, messages.INSERT_ORDINARY)
        change(situation, disk=ORDINARY)
    ends = (0.0, float(profile.tracks - 1))
    track = yield Enter("ordinary track", messages.WHICH_TRACK, "track", *ends)
    place = profile.alignment_track if track is None else round(track)
    yield from on_track(situation, place, situation.head)
    gauge = yield from with_gauge(situation)
    return _Survey(place, profile.core_um[0] / _COARSE, gauge)


def _surveyed(situation: Situation, survey: _Survey) -> Generator[Ask, Any, Message | str | None]:
    """Measure from the first place outward, then inward; returns why it cannot be."""
    problem = yield from _measured(situation, survey)
    for sign in (1.0, -1.0):
        if problem is None:
            problem = yield from _one_side(situation, survey, sign)
    return problem


def _one_side(
    situation: Situation, survey: _Survey, sign: float
) -> Generator[Ask, Any, Message | str | None]:
    most_um = situation.profile.track_pitch_um
    aim_um, level_v = sign * survey.places_um[0].value, survey.levels_v[0].value
    for _ in range(_MOST_PLACES):
        aim_um += survey.step_from(level_v)
        if aim_um > most_um:
            return None
        told = yield from moved_to(survey.gauge, sign * aim_um)
        if not told:
            return None
        problem = yield from _measured(situation, survey)
        level_v = survey.levels_v[-1].value
        if problem is not None or level_v < LOW * survey.top_v:
            return problem
        aim_um = sign * survey.gauge.now_um
    return None


def _filled(situation: Situation, survey: _Survey) -> Generator[Ask, Any, Message | str | None]:
    """Measure where the hand has gone too far at once: a long nudge may leave out half a flank."""
    for place_um in survey.gaps_um:
        told = yield from moved_to(survey.gauge, place_um)
        if not told:
            return None
        problem = yield from _measured(situation, survey)
        if problem is not None:
            return problem
    return None


def _measured(situation: Situation, survey: _Survey) -> Generator[Ask, Any, str | None]:
    """Measure the track's strength here; returns why it cannot be."""
    of = (Measurand.LEVEL, messages.TAKING_LEVEL, f"at {survey.gauge.now_um:+.0f} µm")
    turns, head = situation.options.turns, situation.head
    measurement: Measurement = yield Measure(*of, turns, survey.track, head)
    if measurement.level_v is None:
        return why_not(measurement)
    survey.places_um.append(survey.gauge.place_um)
    survey.levels_v.append(measurement.level_v)
    return None


def _outcome(
    situation: Situation, survey: _Survey, finding: FlankFinding, end_um: float
) -> Outcome:
    middle = finding.centre_um
    parts = [Part("flanks of the track", middle.u, dof=middle.dof, unit="µm")]
    if end_um:
        parts.append(Part("place by the gauge", survey.gauge.u_um, unit="µm"))
    budget = Budget(end_um - middle.value, tuple(parts))
    found = Budget(-middle.value, tuple(parts[:1]))
    return concluded(
        situation,
        Verdict.NOTED,
        unit="µm",
        reason=str(fill(messages.RELATIVE, survey.track)),
        details=(
            Value.of("off the middle, as found", found.covering, "µm"),
            Value("place by the gauge", end_um, survey.gauge.u_um, "µm"),
            Value.of("wider of head and track", finding.wider_um, "µm"),
            Value("narrower of head and track", finding.narrower_um, unit="µm"),
            Value("width of the blind top", finding.blind_um, unit="µm"),
            Value("places", float(len(survey.places_um))),
        ),
        **by_budget(budget),
    )
