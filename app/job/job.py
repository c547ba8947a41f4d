"""What has come of a job so far: its outcomes, and what follows from them.

How a job stands: all that it takes to go on with it another day, beside its outcomes.

The check in hand: it asks, is answered, and may take the last answer back.

What a job knows of itself, for all to see; :class:`~app.job.job.Job` alone changes it.

The job: its steps in order, the one in hand, and what has come of the others.

No threads, no clock, no book, no source: whoever drives a job answers what it asks, and is told
what is to be kept the moment that it is known.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from app.analysis.results import Side, Verdict
from app.job.checks import CHECKS
from app.job.checks.common import Barred, Check, concluded
from app.job.model import (
    Ask,
    CheckName,
    Do,
    Enter,
    Entry,
    Measure,
    Outcome,
    Stage,
    Summary,
    Value,
)
from app.job.plan import Planned, State, Step, end_of_work, newest_of, plan_for, with_again
from app.job.situation import MIDDLE, DriveState, JobOptions, Known, Situation
from app.job.taking import Answer, entry_of
from app.profiles import Profile


def summary_of(outcomes: Sequence[Outcome], stage: Stage) -> Summary:
    """Return the three numbers of the drive in one stage.

    The offset is that of the middle of the hysteresis; where that was not measured, of side 0 as
    the head stood.
    """
    counts = counting(outcomes, stage)
    hysteresis = counts.get(CheckName.HYSTERESIS)
    details = () if hysteresis is None else hysteresis.details
    middle = next((replace(each, name="") for each in details if each.name == MIDDLE), None)
    return Summary(
        middle or _value_of(counts.get(CheckName.RADIAL)),
        _value_of(hysteresis),
        _value_of(counts.get(CheckName.SPEED)),
    )


def counting(outcomes: Iterable[Outcome], stage: Stage) -> dict[CheckName, Outcome]:
    """Return the outcome of each check on side 0 that counts in one stage.

    As found a drive is only once: there the first of several stands. As left the newest counts,
    also where it has no number: one of before says nothing of the drive as it is now.
    """
    counts: dict[CheckName, Outcome] = {}
    for outcome in outcomes:
        if outcome.stage is not stage or outcome.side:
            continue
        if stage is Stage.AS_LEFT:
            counts[outcome.check] = outcome
        elif outcome.value is not None:
            counts.setdefault(outcome.check, outcome)
    return counts


def _value_of(outcome: Outcome | None) -> Value | None:
    if outcome is None or outcome.value is None:
        return None
    return Value("", outcome.value, outcome.u, outcome.unit)


def open_failures(outcomes: Iterable[Outcome]) -> tuple[Outcome, ...]:
    """Return the newest outcome of each check and side, where it failed or found nothing.

    A skipped one mends nothing.
    """
    newest: dict[tuple[CheckName, int], Outcome] = {}
    for outcome in outcomes:
        if outcome.verdict is not Verdict.SKIPPED:
            newest[outcome.check, outcome.side] = outcome
    return tuple(each for each in newest.values() if _is_open(each))


def _is_open(outcome: Outcome) -> bool:
    if outcome.verdict is Verdict.FAIL:
        return True
    unmeasured = outcome.verdict is Verdict.UNDECIDED and outcome.value is None
    # Seating a disk under a head that is far off tells nothing, and nothing of the drive as left.
    return unmeasured and (outcome.check, outcome.stage) != (CheckName.SEATING, Stage.AS_FOUND)


@dataclass(frozen=True, slots=True)
class KeptStep:
    """A step, with the place of its outcome among the job's outcomes."""

    check: CheckName
    stage: Stage
    side: int
    state: State
    outcome: int | None


@dataclass(frozen=True, slots=True)
class JobStanding:
    """A job as it stands, but for the answers within the check in hand.

    Attributes
    ----------
    steps : tuple of KeptStep
        All of them, in order.
    options : JobOptions
        How thorough it is.
    bench : DriveState
        How the hands have left the drive; the name is that of the book's format.
    known : Known
        What has been found.
    """

    steps: tuple[KeptStep, ...]
    options: JobOptions
    bench: DriveState
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


class InHand:
    """One run of a check.

    The answers are kept: to take one back, the check is run again with all but that one.

    Parameters
    ----------
    check : callable
        Returns the check's generator for a situation.
    make_situation : callable
        Returns the situation at the check's beginning, each time a new one.
    """

    def __init__(
        self, check: Callable[[Situation], Check], make_situation: Callable[[], Situation]
    ) -> None:
        self._check = check
        self._make_situation = make_situation
        self._answers: list[Answer] = []
        self.situation: Situation
        self.ask: Ask | None = None
        self.outcome: Outcome | None = None
        self._run()

    @property
    def can_undo(self) -> bool:
        """Whether there is an answer to take back."""
        return bool(self._answers)

    def answer(self, value: Answer) -> None:
        """Go on with an answer: to the next ask, or to the outcome."""
        self._answers.append(value)
        self._send(value)

    def undo(self) -> None:
        """Take back the last answer, which is asked for again."""
        self._answers.pop()
        self._run()

    def _run(self) -> None:
        self.situation = self._make_situation()
        self._generator = self._check(self.situation)
        for value in (None, *self._answers):
            self._send(value)

    def _send(self, value: Answer) -> None:
        try:
            self.ask = self._generator.send(value)
        except StopIteration as end:
            self.ask, self.outcome = None, end.value
        except Barred as bar:
            self.ask = None
            self.outcome = concluded(self.situation, Verdict.UNDECIDED, reason=str(bar))


def checked(ask: Ask, value: Answer) -> Answer:
    """Return an answer as the check wants it.

    Raises
    ------
    ValueError
        When it cannot stand; the sentence says what can.
    """
    if isinstance(ask, Do):
        if value is not True:
            raise ValueError(f"“{ask.action}” is answered once it has been done")
        return True
    if isinstance(ask, Measure):
        if isinstance(value, bool | float | int | str) or value is None:
            raise ValueError(f"“{ask.label}” is answered by a measurement")
        return value
    return value if value is None else _entered(ask, value)


def _entered(ask: Enter, value: Answer) -> Answer:
    if ask.choices:
        if value not in ask.choices:
            raise ValueError(f"“{value}” cannot be chosen; choose {' or '.join(ask.choices)}")
        return value
    if ask.low is None and ask.high is None and not ask.unit:
        return str(value)
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise ValueError(
            f"“{value}” is not a number; enter one{_between(ask)}, or nothing where it is not known"
        ) from None
    low = float("-inf") if ask.low is None else ask.low
    high = float("inf") if ask.high is None else ask.high
    if not low <= number <= high:
        raise ValueError(f"{number:g} {ask.unit} cannot be; enter {low:g} to {high:g}")
    return number


def _between(ask: Enter) -> str:
    return "" if ask.low is None or ask.high is None else f" from {ask.low:g} to {ask.high:g}"


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
        self._drive, self._known = DriveState(), Known()
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
    def drive(self) -> DriveState:
        """How the drive stands now, as far as the answers tell."""
        return self._drive if self._hand is None else self._hand.situation.drive

    @property
    def known(self) -> Known:
        """What the checks so far, and the one in hand, have found."""
        return self._known if self._hand is None else self._hand.situation.known

    @property
    def nudges(self) -> int:
        """Nudges that were asked for and done, each tightening beyond the first counted as one."""
        return self.drive.nudges

    @property
    def zero_um(self) -> float:
        """Reading at which the middle of the hysteresis is on the line, as the head rests now."""
        width, arrived = self.known.hysteresis_um, self.drive.arrived
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
    def standing(self) -> JobStanding:
        """What is kept to go on another day: the check in hand then begins anew."""
        steps = kept_steps(self._steps, self._outcomes)
        return JobStanding(steps, self.options, self.drive, self.known)

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
            self._drive,
            tuple(self._outcomes),
        )

    def _is_touched(self, check: CheckName) -> bool:
        """Whether what a check measures has been moved since the drive was brought in."""
        if check is CheckName.SPEED:
            return self._drive.trims > 0
        return check in OF_THE_HEAD and self._drive.loose is not None

    def _work_has_begun(self) -> bool:
        done = (step for step in self._steps if step.stage is not Stage.AS_FOUND)
        return self._drive.loose is not None or any(step.state is State.DONE for step in done)


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
    on_entry, on_outcome, on_standing : callable, optional
        Told what is to be kept: a measurement or observation the moment that it was answered,
        an outcome when its check has ended, and after each of them how the job stands.
    source : str
        Address of the source, for what is kept.
    left : tuple of JobStanding and outcomes, optional
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
        on_entry: Callable[[Entry], None] = _nothing,
        on_outcome: Callable[[Outcome], None] = _nothing,
        on_standing: Callable[[JobStanding], None] = _nothing,
        source: str = "",
        left: tuple[JobStanding, Sequence[Outcome]] | None = None,
    ) -> None:
        planned = plan_for(profile) if plan is None else plan
        super().__init__(profile, planned, options or JobOptions())
        self._virtual = drive_is_virtual
        self._now = now
        self._on_entry = on_entry
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
        entry = entry_of(
            step,
            hand.ask,
            value,
            taken_at=self._now(),
            source=self._source,
            virtual=self._virtual,
            settings=settings,
        )
        if entry is not None:
            self._on_entry(entry)
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

    def _go_on_from(self, standing: JobStanding, outcomes: Sequence[Outcome]) -> None:
        self._steps = steps_of(standing.steps, outcomes)
        self._outcomes = list(outcomes)
        self.options = standing.options
        self._drive = replace(standing.bench, disk=None, track=None, side=0, arrived=None)
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
        before, after = self._drive, hand.situation.drive
        self._drive, self._known = after, hand.situation.known
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
