"""The order of the trade: which checks a job has, and in which stage each is done."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from app.job.model import CheckName, Outcome, Stage
from app.profiles import Profile


@dataclass(frozen=True, slots=True)
class Planned:
    """A check that is to be done."""

    check: CheckName
    stage: Stage
    side: int = 0


class State(StrEnum):
    """How far a step has come."""

    PENDING = "pending"
    IN_HAND = "in hand"
    DONE = "done"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the job, as it stands at one moment."""

    check: CheckName
    stage: Stage
    side: int = 0
    state: State = State.PENDING
    outcome: Outcome | None = None


_MOVING = {CheckName.ADJUST, CheckName.LOCK}


def plan_for(profile: Profile, checks: Collection[CheckName] = tuple(CheckName)) -> list[Planned]:
    """Return the steps of a job on a class of drive, in the order of the trade.

    Parameters
    ----------
    profile : Profile
        The class: its sides.
    checks : collection of CheckName
        Those that are wanted; what is as left is done where something may have been moved.
    """
    sides = range(profile.sides)
    found, work, left = Stage.AS_FOUND, Stage.WORK, Stage.AS_LEFT
    every = [
        Planned(CheckName.CARE, found),
        Planned(CheckName.SPEED, found),
        Planned(CheckName.SEATING, found),
        *(Planned(CheckName.RADIAL, found, side) for side in sides),
        Planned(CheckName.HYSTERESIS, found),
        Planned(CheckName.ADJUST, work),
        Planned(CheckName.LOCK, work),
        Planned(CheckName.SPEED, work),
        *(Planned(CheckName.AZIMUTH, work, side) for side in sides),
        *(Planned(CheckName.INDEX, work, side) for side in sides),
        Planned(CheckName.OUTPUT, work),
        Planned(CheckName.TRACK_ZERO, work),
        *(Planned(CheckName.RADIAL, left, side) for side in sides),
        Planned(CheckName.HYSTERESIS, left),
        Planned(CheckName.SPEED, left),
    ]
    moved = bool(_MOVING & set(checks))
    return [
        planned
        for planned in every
        if planned.check in checks
        and (planned.stage is not left or moved or planned.check is CheckName.SPEED)
    ]


def newest_of(steps: Iterable[Step]) -> list[Step]:
    """Return the last step of each check and side."""
    return list({(step.check, step.side): step for step in steps}.values())


def end_of_work(steps: Sequence[Step]) -> int:
    """Return the place behind the last step that is done or as found."""
    return 1 + max(
        place
        for place, step in enumerate(steps)
        if step.state is not State.PENDING or step.stage is Stage.AS_FOUND
    )


def with_again(steps: Sequence[Step], again: Iterable[Step], begun: bool) -> list[Step]:
    """Return the steps with some of them planned once more.

    Parameters
    ----------
    steps, again : steps
        All of them; those to be done once more, in order.
    begun : bool
        Whether the work has begun: nothing is measured as found any more.
    """
    work: list[Step] = []
    left: list[Step] = []
    for step in again:
        as_found = step.stage is Stage.AS_FOUND
        stage = Stage.WORK if begun and as_found else step.stage
        (left if stage is Stage.AS_LEFT else work).append(Step(step.check, stage, step.side))
    place = end_of_work(steps)
    return [*steps[:place], *work, *steps[place:], *left]
