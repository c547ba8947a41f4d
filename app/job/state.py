"""What a job knows of itself, for all to see; :class:`~app.job.job.Job` alone changes it."""

from __future__ import annotations

from collections.abc import Iterable

from app.analysis.reading import Side
from app.job.bench import Bench, JobOptions, Known, Situation
from app.job.hand import InHand
from app.job.ledger import open_failures, summary_of
from app.job.model import Ask, CheckName, Outcome, Stage, Summary
from app.job.plan import Planned, State, Step
from app.job.standing import Standing, kept_steps
from app.profiles import Profile

OF_THE_HEAD = (CheckName.SEATING, CheckName.RADIAL, CheckName.HYSTERESIS)
"""Checks whose numbers change when the head is moved."""


class JobState:
    """A job as it stands.

    Parameters
    ----------
    profile : Profile
        The class of drive and the alignment disk.
    plan : iterable of Planned
        The steps.
    options : JobOptions
        How thorough it is.
    """

    def __init__(self, profile: Profile, plan: Iterable[Planned], options: JobOptions) -> None:
        self.profile = profile
        self.options = options
        self.closed = False
        self.closing_reason = ""
        self._steps = [Step(each.check, each.stage, each.side) for each in plan]
        self._outcomes: list[Outcome] = []
        self._bench, self._known = Bench(), Known()
        self._at: int | None = None
        self._hand: InHand | None = None

    @property
    def steps(self) -> tuple[Step, ...]:
        """All steps as they stand, in order."""
        return tuple(self._steps)

    @property
    def at(self) -> int | None:
        """Place of the step in hand, None when none is."""
        return self._at

    @property
    def step(self) -> Step | None:
        """The step in hand, None when none is."""
        return None if self._at is None else self._steps[self._at]

    @property
    def ask(self) -> Ask | None:
        """What the step in hand asks for now."""
        return None if self._hand is None else self._hand.ask

    @property
    def outcomes(self) -> tuple[Outcome, ...]:
        """Every outcome so far, in the order in which the checks ended."""
        return tuple(self._outcomes)

    @property
    def bench(self) -> Bench:
        """How the drive stands now, as far as the answers tell."""
        return self._bench if self._hand is None else self._hand.situation.bench

    @property
    def known(self) -> Known:
        """What the checks so far, and the one in hand, have found."""
        return self._known if self._hand is None else self._hand.situation.known

    @property
    def nudges(self) -> int:
        """Nudges that were asked for and done, each tightening beyond the first counted as one."""
        return self.bench.nudges

    @property
    def zero_um(self) -> float:
        """Reading at which the middle of the hysteresis is on the line, as the head rests now."""
        width, arrived = self.known.hysteresis_um, self.bench.arrived
        if width is None or arrived is None:
            return 0.0
        return width.value / 2.0 if arrived is Side.OUTWARD else -width.value / 2.0

    @property
    def as_found(self) -> Summary:
        """The three numbers of the drive as it was found."""
        return summary_of(self._outcomes, Stage.AS_FOUND)

    @property
    def as_left(self) -> Summary:
        """The three numbers of the drive as it is left."""
        return summary_of(self._outcomes, Stage.AS_LEFT)

    @property
    def open_failures(self) -> tuple[Outcome, ...]:
        """The newest outcome of each check and side, where that failed or could not be measured."""
        return open_failures(self._outcomes)

    @property
    def may_close(self) -> bool:
        """Whether it may be closed without a reason."""
        ended = all(step.state in (State.DONE, State.SKIPPED) for step in self._steps)
        return ended and not self.open_failures

    @property
    def standing(self) -> Standing:
        """What is kept to go on another day: the check in hand then begins anew."""
        steps = kept_steps(self._steps, self._outcomes)
        return Standing(steps, self.options, self.bench, self.known)

    @property
    def can_undo(self) -> bool:
        """Whether there is an answer in the step in hand to take back."""
        return self._hand is not None and self._hand.can_undo

    def _situation(self, step: Step) -> Situation:
        return Situation(
            self.profile,
            self.options,
            step.check,
            step.stage,
            step.side,
            self._known,
            self._bench,
            tuple(self._outcomes),
        )

    def _is_touched(self, check: CheckName) -> bool:
        """Whether what a check measures has been moved since the drive was brought in."""
        if check is CheckName.SPEED:
            return self._bench.trims > 0
        return check in OF_THE_HEAD and self._bench.loose is not None

    def _work_has_begun(self) -> bool:
        done = (step for step in self._steps if step.stage is not Stage.AS_FOUND)
        return self._bench.loose is not None or any(step.state is State.DONE for step in done)
