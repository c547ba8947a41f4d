"""How a job stands: all that it takes to go on with it another day, beside its outcomes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from app.job.bench import Bench, JobOptions, Known
from app.job.model import CheckName, Outcome, Stage
from app.job.plan import State, Step


@dataclass(frozen=True, slots=True)
class KeptStep:
    """A step, with the place of its outcome among the job's outcomes."""

    check: CheckName
    stage: Stage
    side: int
    state: State
    outcome: int | None


@dataclass(frozen=True, slots=True)
class Standing:
    """A job as it stands, but for the answers within the check in hand.

    Attributes
    ----------
    steps : tuple of KeptStep
        All of them, in order.
    options : JobOptions
        How thorough it is.
    bench : Bench
        How the hands have left the drive.
    known : Known
        What has been found.
    """

    steps: tuple[KeptStep, ...]
    options: JobOptions
    bench: Bench
    known: Known


def kept_steps(steps: Sequence[Step], outcomes: Sequence[Outcome]) -> tuple[KeptStep, ...]:
    """Return steps as they are kept; the one in hand is to be done again."""
    places = {id(outcome): place for place, outcome in enumerate(outcomes)}
    return tuple(
        KeptStep(
            step.check,
            step.stage,
            step.side,
            State.PENDING if step.state is State.IN_HAND else step.state,
            None if step.outcome is None else places[id(step.outcome)],
        )
        for step in steps
    )


def steps_of(kept: Sequence[KeptStep], outcomes: Sequence[Outcome]) -> list[Step]:
    """Return kept steps with their outcomes.

    Raises
    ------
    ValueError
        When they do not go with these outcomes.
    """
    steps = [_step(each, outcomes) for each in kept]
    if not steps:
        raise ValueError("it has no steps")
    return steps


def _step(kept: KeptStep, outcomes: Sequence[Outcome]) -> Step:
    ended = kept.state in (State.DONE, State.SKIPPED)
    if kept.state is State.IN_HAND or ended != (kept.outcome is not None):
        raise ValueError(f"its step “{kept.check}” is {kept.state}, which its outcome denies")
    if kept.outcome is None:
        return Step(kept.check, kept.stage, kept.side)
    if not 0 <= kept.outcome < len(outcomes):
        raise ValueError(f"its step “{kept.check}” has an outcome that is not there")
    outcome = outcomes[kept.outcome]
    if (outcome.check, outcome.stage, outcome.side) != (kept.check, kept.stage, kept.side):
        raise ValueError(f"its step “{kept.check}” has the outcome of another")
    return Step(kept.check, kept.stage, kept.side, kept.state, outcome)
