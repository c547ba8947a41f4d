"""The job: its steps in order, the one in hand, and what has come of the others.

No threads, no clock, no book, no source: whoever drives a job answers what it asks, and is told
what is to be kept the moment that it is known.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from typing import Any

from app.job.bench import JobOptions
from app.job.checks import CHECKS
from app.job.hand import InHand, checked
from app.job.model import CheckName, Outcome, Stage, Taking, Verdict
from app.job.plan import Planned, State, Step, end_of_work, newest_of, plan_for, with_again
from app.job.standing import Standing, steps_of
from app.job.state import OF_THE_HEAD, JobState
from app.job.takings import Answer, taking_of
from app.profiles import Profile


def _nothing(_: Any) -> None:
    """Keep nothing."""


class Job(JobState):
    """A job on one drive, from its first check to its closing.

    Parameters
    ----------
    profile : Profile
        The class of drive and the alignment disk.
    drive_is_virtual : bool
        Whether it is the virtual drive; said in everything that is kept.
    plan : iterable of Planned, optional
        The steps; those of the trade when not given.
    options : JobOptions, optional
        How thorough it is.
    now : callable
        Returns the time as ISO 8601 with offset.
    on_taking, on_outcome, on_standing : callable, optional
        Told what is to be kept: a measurement or observation the moment that it was answered,
        an outcome when its check has ended, and after each of them how the job stands.
    source : str
        Address of the source, for what is kept.
    left : tuple of Standing and outcomes, optional
        Where the job was left, on this day or another, to go on from there; `plan` and `options`
        are then its own. Which disk is in the drive and where the head is count as unknown, and
        what comes before power is asked for again.

    Raises
    ------
    ValueError
        When what was left cannot be.
    """

    def __init__(
        self,
        profile: Profile,
        drive_is_virtual: bool,
        *,
        plan: Iterable[Planned] | None = None,
        options: JobOptions | None = None,
        now: Callable[[], str],
        on_taking: Callable[[Taking], None] = _nothing,
        on_outcome: Callable[[Outcome], None] = _nothing,
        on_standing: Callable[[Standing], None] = _nothing,
        source: str = "",
        left: tuple[Standing, Sequence[Outcome]] | None = None,
    ) -> None:
        planned = plan_for(profile) if plan is None else plan
        super().__init__(profile, planned, options or JobOptions())
        self._virtual = drive_is_virtual
        self._now = now
        self._on_taking = on_taking
        self._on_outcome = on_outcome
        self._on_standing = on_standing
        self._source = source
        if left is None:
            self._begin_pending()
        else:
            self._go_on_from(*left)
        self._on_standing(self.standing)

    def answer(self, value: Answer, settings: tuple[tuple[str, str], ...] = ()) -> None:
        """Answer what is asked, and go on to the next ask or step.

        Parameters
        ----------
        value : Measurement, number, text, bool or None
            What the ask wants; see :mod:`app.job.model`.
        settings : tuple of (str, str)
            The instrument's settings while it was measured.

        Raises
        ------
        ValueError
            When nothing is asked, or the answer cannot stand; the sentence says what can.
        """
        hand, step = self._hand, self.step
        if hand is None or hand.ask is None or step is None:
            raise ValueError("nothing is asked; go to a step first")
        value = checked(hand.ask, value)
        taking = taking_of(
            step,
            hand.ask,
            value,
            taken_at=self._now(),
            source=self._source,
            virtual=self._virtual,
            settings=settings,
        )
        if taking is not None:
            self._on_taking(taking)
        hand.answer(value)
        self._end_if_done()
        self._on_standing(self.standing)

    def skip(self, reason: str) -> None:
        """Leave out the step in hand; the reason is kept.

        Raises
        ------
        ValueError
            When no step is in hand, or the reason is empty.
        """
        if self._at is None:
            raise ValueError("no step is in hand; go to a step first")
        if not reason.strip():
            raise ValueError("a check is skipped for a reason; say it in a few words")
        self._lay_down()
        self._skip(self._at, reason)
        self._begin_pending(self._at)
        self._on_standing(self.standing)

    def go_to(self, index: int) -> None:
        """Take in hand a step that has not been done; the one in hand waits, and begins anew.

        Raises
        ------
        ValueError
            When it has been done.
        """
        if self._steps[index].state in (State.DONE, State.SKIPPED):
            raise ValueError("this step has been done; repeat it")
        self._lay_down()
        self._begin(index)
        self._on_standing(self.standing)

    def repeat(self, index: int) -> None:
        """Do a step again, as a new one: the outcome of the first stands.

        Once the work has begun nothing is measured as found any more, but for the work.
        """
        step = self._steps[index]
        if step.state not in (State.DONE, State.SKIPPED):
            self.go_to(index)
            return
        self._lay_down()
        stage, place = step.stage, index + 1
        if stage is Stage.AS_FOUND and self._work_has_begun():
            stage, place = Stage.WORK, end_of_work(self._steps)
        self._steps.insert(place, Step(step.check, stage, step.side))
        self._begin(place)
        self._on_standing(self.standing)

    def again(self, checks: Collection[CheckName]) -> None:
        """Have checks done once more, each as it was done last, in the order of the job.

        One that the job does not have is passed over.
        """
        ended = (State.DONE, State.SKIPPED)
        self._plan_again(
            step for step in newest_of(self._steps) if step.check in checks and step.state in ended
        )
        if self._at is None:
            self._begin_pending()
        self._on_standing(self.standing)

    def undo(self) -> None:
        """Take back the last answer of the step in hand: it is asked again.

        What was measured stays where it was kept.

        Raises
        ------
        ValueError
            When there is no answer to take back.
        """
        if self._hand is None or not self._hand.can_undo:
            raise ValueError("there is no answer in this step to take back")
        self._hand.undo()
        self._on_standing(self.standing)

    def close(self, reason: str = "") -> None:
        """Close the job; what is not done is skipped for `reason`.

        Raises
        ------
        ValueError
            When steps or failures are open and no reason is given.
        """
        reason = reason.strip()
        if not self.may_close and not reason:
            raise ValueError("steps or failures are open; give a reason to close the job with them")
        self._lay_down()
        for index, step in enumerate(self._steps):
            if step.state is State.PENDING:
                self._skip(index, reason)
        self._at = None
        self.closed, self.closing_reason = True, reason

    def _go_on_from(self, standing: Standing, outcomes: Sequence[Outcome]) -> None:
        self._steps = steps_of(standing.steps, outcomes)
        self._outcomes = list(outcomes)
        self.options = standing.options
        self._bench = replace(standing.bench, disk=None, track=None, side=0, arrived=None)
        self._known = standing.known
        care = [index for index, step in enumerate(self._steps) if step.check is CheckName.CARE]
        if care:
            self.repeat(care[-1])
        else:
            self._begin_pending()

    def _begin(self, index: int) -> None:
        """Take a step in hand."""
        step = replace(self._steps[index], state=State.IN_HAND)
        if step.stage is Stage.AS_FOUND and self._is_touched(step.check):
            step = replace(step, stage=Stage.WORK)
        self._at, self._steps[index] = index, step
        self._hand = InHand(CHECKS[step.check], lambda: self._situation(step))
        self._end_if_done()

    def _begin_pending(self, start: int = 0) -> None:
        """Take the next pending step in hand: from a place on, else from the beginning."""
        for index in (*range(start, len(self._steps)), *range(start)):
            if self._steps[index].state is State.PENDING:
                self._begin(index)
                return
        self._at = None

    def _end_if_done(self) -> None:
        hand = self._hand
        if hand is None or hand.outcome is None or self._at is None:
            return
        at = self._at
        self._let_go(hand)
        self._keep(at, hand.outcome, State.DONE)
        self._begin_pending(at)

    def _let_go(self, hand: InHand) -> None:
        before, after = self._bench, hand.situation.bench
        self._bench, self._known = after, hand.situation.known
        self._hand = None
        if before.moves != after.moves:
            self._void_as_left(OF_THE_HEAD)
        if before.trims != after.trims:
            self._void_as_left((CheckName.SPEED,))

    def _void_as_left(self, checks: Collection[CheckName]) -> None:
        """Have measured again as left what was measured before something was moved."""
        left = (Stage.AS_LEFT, State.DONE)
        self._plan_again(
            step
            for step in newest_of(self._steps)
            if step.check in checks and (step.stage, step.state) == left
        )

    def _plan_again(self, steps: Iterable[Step]) -> None:
        self._steps = with_again(self._steps, steps, self._work_has_begun())

    def _lay_down(self) -> None:
        """Let go of the step in hand; the drive stays as the hands have left it."""
        if self._hand is not None and self._at is not None:
            self._let_go(self._hand)
            self._steps[self._at] = replace(self._steps[self._at], state=State.PENDING)

    def _skip(self, index: int, reason: str) -> None:
        step = self._steps[index]
        outcome = Outcome(
            step.check, step.stage, Verdict.SKIPPED, side=step.side, reason=reason.strip()
        )
        self._keep(index, outcome, State.SKIPPED)

    def _keep(self, index: int, outcome: Outcome, state: State) -> None:
        outcome = replace(outcome, ended_at=self._now())
        self._outcomes.append(outcome)
        self._steps[index] = replace(self._steps[index], state=state, outcome=outcome)
        self._on_outcome(outcome)
