"""The order of the trade: which checks a job has, when each is done, and how far each has come."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from app.job.model import (
    LATER,
    USUAL_CHECKS,
    Aim,
    CheckName,
    DriveState,
    JobOptions,
    Known,
    Outcome,
    Stage,
)
from app.profiles import Profile


@dataclass(frozen=True, slots=True)
class Planned:
    """A check that is to be done."""

    check: CheckName
    stage: Stage
    head: int = 0


class StepState(StrEnum):
    """How far a step has come."""

    PENDING = "pending"
    IN_HAND = "in hand"
    DONE = "done"
    SKIPPED = "skipped"


ENDED = (StepState.DONE, StepState.SKIPPED)


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the job at one moment."""

    check: CheckName
    stage: Stage
    head: int = 0
    state: StepState = StepState.PENDING
    outcome: Outcome | None = None


class Plan(StrEnum):
    """What a job is for: the one choice at its beginning."""

    FULL = "full"
    """Everything as found, the work, and as left what that may have moved."""
    CHECK = "check"
    """Everything as found; nothing is moved."""
    ADJUST = "adjust"
    """The head alone: where it is, the work, and where it is left."""
    CENTRE = "centre"
    """Without an alignment disk: the head against an ordinary track."""
    SCALE = "scale"
    """Calibration of the alignment disk's scale, and of the zero in the two that follow."""
    ZERO = "zero"
    WORKING_DISK = "working-disk"


SETTING = {CheckName.ADJUST, CheckName.LOCK}
"""Checks that set the head to its aim."""
_MOVING = {*SETTING, CheckName.CENTRE, CheckName.SCALE}
_OF_ADJUSTING = {CheckName.CARE, CheckName.RADIAL, CheckName.HYSTERESIS, CheckName.TRACK_ZERO}

_ALONE = {
    Plan.CENTRE: {CheckName.CENTRE},
    Plan.SCALE: {CheckName.CARE, CheckName.SCALE},
    Plan.ZERO: {CheckName.CARE, CheckName.ZERO},
    Plan.WORKING_DISK: {CheckName.CARE, CheckName.WORKING_DISK},
}
"""What plans have that have nothing of the usual checks but what comes before power."""


def plan_for(
    profile: Profile,
    checks: Collection[CheckName] = USUAL_CHECKS,
    *,
    plan: Plan = Plan.FULL,
) -> list[Planned]:
    """Return the steps of a job on a class of drive, in the order of the trade.

    What the screws may move is seen before they are loosened, and as left only where they were. To
    adjust the head alone, the arrivals of one head are enough: both ride on one carriage.
    """
    heads = range(profile.sides)
    arriving = range(1) if plan is Plan.ADJUST else heads
    several = range(1 if profile.radial_tracks else 0)
    found, work, left = Stage.AS_FOUND, Stage.WORK, Stage.AS_LEFT
    every = [
        Planned(CheckName.CARE, found),
        Planned(CheckName.MECHANICS, found),
        Planned(CheckName.SPEED, found),
        # Before the alignment disk is seated for good: its seatings count for all that follows.
        *(Planned(CheckName.OUTPUT, found, head) for head in heads),
        Planned(CheckName.DRIFT, found),
        Planned(CheckName.SEATING, found),
        *(Planned(CheckName.RADIAL, found, head) for head in heads),
        *(Planned(CheckName.TRACKS, found) for _ in several),
        *(Planned(CheckName.HYSTERESIS, found, head) for head in arriving),
        Planned(CheckName.SEEKS, found),
        Planned(CheckName.PUSH, found),
        *(Planned(CheckName.AZIMUTH, found, head) for head in heads),
        *(Planned(CheckName.INDEX, found, head) for head in heads),
        Planned(CheckName.TRACK_ZERO, found),
        Planned(CheckName.ADJUST, work),
        Planned(CheckName.LOCK, work),
        Planned(CheckName.SPEED, work),
        Planned(CheckName.CENTRE, work),
        Planned(CheckName.SCALE, work),
        *(Planned(CheckName.ZERO, work, head) for head in heads),
        *(Planned(CheckName.WORKING_DISK, work, head) for head in heads),
        *(Planned(CheckName.RADIAL, left, head) for head in heads),
        *(Planned(CheckName.TRACKS, left) for _ in several),
        *(Planned(CheckName.HYSTERESIS, left, head) for head in arriving),
        Planned(CheckName.SEEKS, left),
        *(Planned(CheckName.INDEX, left, head) for head in heads),
        Planned(CheckName.TRACK_ZERO, left),
        Planned(CheckName.SPEED, left),
        Planned(CheckName.DRIFT, left),
    ]
    wanted = set(_ALONE.get(plan, checks))
    if plan is Plan.ADJUST:
        wanted &= _OF_ADJUSTING | SETTING
    stages = (found,) if plan is Plan.CHECK else (found, work, left)
    as_left = wanted if _MOVING & wanted else {CheckName.SPEED} & wanted
    return [
        each
        for each in every
        if each.stage in stages and each.check in (as_left if each.stage is left else wanted)
    ]


_WHY_NOT = {
    Plan.CHECK: "the plan measures and moves nothing",
    Plan.ADJUST: "the plan is for the place of the head alone",
    Plan.CENTRE: "the plan goes without an alignment disk",
    Plan.SCALE: "the plan calibrates the disk and judges no drive",
    Plan.ZERO: "the plan calibrates the disk and judges no drive",
    Plan.WORKING_DISK: "the plan calibrates the disk and judges no drive",
}
NOT_WANTED = "it was not asked for"
"""A choice of checks has it: the plan would."""
_ONE_TRACK = "the alignment disk states one radial track alone"

REASONS = (*_WHY_NOT.values(), NOT_WANTED, _ONE_TRACK)
"""Why a plan may not have a check."""


def left_out(
    profile: Profile,
    checks: Collection[CheckName] = USUAL_CHECKS,
    *,
    plan: Plan = Plan.FULL,
) -> tuple[tuple[str, str], ...]:
    """Return which of the usual checks a plan does not have, each with why."""
    planned = {each.check for each in plan_for(profile, checks, plan=plan)}

    def why(check: CheckName) -> str:
        if check not in checks:
            return NOT_WANTED
        would_be = check is CheckName.TRACKS and plan in (Plan.FULL, Plan.CHECK)
        return _ONE_TRACK if would_be else _WHY_NOT.get(plan, NOT_WANTED)

    return tuple((str(each), why(each)) for each in USUAL_CHECKS if each not in planned)


def newest_of(steps: Iterable[Step]) -> list[Step]:
    """Return the last step of each check and head."""
    return list({(step.check, step.head): step for step in steps}.values())


def end_of_work(steps: Sequence[Step]) -> int:
    """Return the place behind the last step that is done or as found."""
    return 1 + max(
        place
        for place, step in enumerate(steps)
        if step.state is not StepState.PENDING or step.stage is Stage.AS_FOUND
    )


def with_again(steps: Sequence[Step], again: Iterable[Step], begun: bool) -> list[Step]:
    """Return the steps with some of them planned once more, in order.

    Where the work has `begun`, nothing is measured as found any more.
    """
    work: list[Step] = []
    left: list[Step] = []
    for step in again:
        as_found = step.stage is Stage.AS_FOUND
        stage = Stage.WORK if begun and as_found else step.stage
        (left if stage is Stage.AS_LEFT else work).append(Step(step.check, stage, step.head))
    place = end_of_work(steps)
    return [*steps[:place], *work, *steps[place:], *left]


# -- what is kept of it ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KeptStep:
    """A step, with the place of its outcome among the job's outcomes."""

    check: CheckName
    stage: Stage
    side: int
    state: StepState
    outcome: int | None


@dataclass(frozen=True, slots=True)
class JobStanding:
    """All that it takes to resume a job, beside its outcomes.

    The answers within the check in hand are not among it: that check begins anew. ``bench`` is how
    the hands have left the drive, by the name that it has in the book's format. ``source`` and
    ``instrument`` are those that were measured last.
    """

    steps: tuple[KeptStep, ...]
    options: JobOptions
    bench: DriveState
    known: Known
    source: str = field(default="", metadata=LATER)
    instrument: str = field(default="", metadata=LATER)
    aim: Aim = field(default=Aim(), metadata=LATER)


def kept_steps(steps: Sequence[Step], outcomes: Sequence[Outcome]) -> tuple[KeptStep, ...]:
    """Return steps as they are kept; the one in hand is to be done again."""
    places = {id(outcome): place for place, outcome in enumerate(outcomes)}
    kept = []
    for step in steps:
        state = StepState.PENDING if step.state is StepState.IN_HAND else step.state
        place = None if step.outcome is None else places[id(step.outcome)]
        kept.append(KeptStep(step.check, step.stage, step.head, state, place))
    return tuple(kept)


def steps_of(kept: Sequence[KeptStep], outcomes: Sequence[Outcome]) -> list[Step]:
    """Return kept steps with their outcomes.

    Raises
    ------
    ValueError
        When they do not go with these outcomes.
    """
    if not kept:
        raise ValueError("it has no steps")
    return [_step(each, outcomes) for each in kept]


def _step(kept: KeptStep, outcomes: Sequence[Outcome]) -> Step:
    if kept.state is StepState.IN_HAND or (kept.state in ENDED) != (kept.outcome is not None):
        raise ValueError(f"its step “{kept.check}” is {kept.state}, which its outcome denies")
    if kept.outcome is None:
        return Step(kept.check, kept.stage, kept.side)
    if not 0 <= kept.outcome < len(outcomes):
        raise ValueError(f"its step “{kept.check}” has an outcome that is not there")
    outcome = outcomes[kept.outcome]
    if (outcome.check, outcome.stage, outcome.side) != (kept.check, kept.stage, kept.side):
        raise ValueError(f"its step “{kept.check}” has the outcome of another")
    return Step(kept.check, kept.stage, kept.side, kept.state, outcome)
