"""A job on one drive: its steps in order, the check in hand, and what has come of the others.

No threads, no clock, no book, no source: whoever leads a job answers what it asks, and its log is
told what is to be kept the moment that it is known.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from typing import Protocol

from app.analysis.results import Measurement, Quantity, Side, Verdict
from app.job import messages
from app.job.aims import aim_words, target_of
from app.job.budget import correction_um
from app.job.checks import CHECKS
from app.job.checks.common import Barred, Check, concluded
from app.job.model import (
    INSERTED,
    Action,
    Aim,
    Answer,
    Ask,
    CheckName,
    Do,
    DriveState,
    Enter,
    Entry,
    JobOptions,
    Known,
    Measure,
    Outcome,
    Situation,
    Stage,
    Summary,
    checked_answer,
    entered_entry,
    measured_entry,
)
from app.job.origin import Origin
from app.job.outcomes import open_failures, summary_of
from app.job.plan import (
    ENDED,
    SETTING,
    JobStanding,
    Planned,
    Step,
    StepState,
    end_of_work,
    kept_steps,
    newest_of,
    plan_for,
    steps_of,
    with_again,
)
from app.profiles import Profile

Kept = Entry | Outcome | JobStanding
"""What a job gives to be kept: a measurement or observation; what a check found; all that it takes
to resume the job."""


class JobLog(Protocol):
    """Where a job is kept."""

    def keep(self, *kept: Kept) -> None:
        """Keep something, all of it or nothing; called the moment that it is known."""

    def close(self, nudges: int, reason: str) -> None:
        """Keep that the job was closed."""


SOURCE_CHANGED = "source changed"
"""Label of the entry that tells of it."""
AIM_CHANGED = "aim"
"""Label of the entry that tells of it."""
DISK_STOPPED = "disk"
"""Label of the entry that tells of it."""
AIMED = (CheckName.RADIAL, CheckName.ADJUST, CheckName.LOCK)
"""Checks that go by the aim, as left."""
OF_THE_HEAD = (
    CheckName.SEATING,
    CheckName.RADIAL,
    CheckName.TRACKS,
    CheckName.HYSTERESIS,
    CheckName.SEEKS,
    CheckName.PUSH,
    CheckName.INDEX,
    CheckName.TRACK_ZERO,
)
"""Checks whose numbers change when the head is moved."""


class CheckRun:
    """One run of a check.

    The answers are kept: to take one back, the check is run again with all but that one.

    Parameters
    ----------
    make_situation : callable
        Returns the situation at the check's beginning, each time a new one.
    """

    def __init__(
        self, check: Callable[[Situation], Check], make_situation: Callable[[], Situation]
    ) -> None:
        self._check = check
        self._make_situation = make_situation
        self._answers: list[Answer] = []
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
            barred = concluded(self.situation, Verdict.UNDECIDED, reason=str(bar))
            self.ask, self.outcome = None, barred


class Job:
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
    log : JobLog, optional
        Where it is kept.
    source : str
        Address of the source with which it was begun.
    archive_um : Quantity, optional
        How far the head stood off the middle of an archive's track when a job before left it.
    left : tuple of JobStanding and outcomes, optional
        Where the job was left, on this day or another, to resume it; `plan` and `options` are then
        its own. Which disk is in the drive and where the head is count as unknown, and what comes
        before power is asked for again.

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
        log: JobLog | None = None,
        source: str = "",
        archive_um: Quantity | None = None,
        left: tuple[JobStanding, Sequence[Outcome]] | None = None,
    ) -> None:
        self.profile = profile
        self.options = options or JobOptions()
        self.aim = Aim()
        """Where the head is to be; :meth:`aim_at` gives another."""
        self.closed = False
        self.closing_reason = ""
        self.origin = Origin(source, drive_is_virtual, profile=profile.name)
        """Where its measurements come from by now."""
        self._now = now
        self._log = log
        planned = plan_for(profile) if plan is None else plan
        self._steps = [Step(each.check, each.stage, each.head) for each in planned]
        self._outcomes: list[Outcome] = []
        self._logged = 0
        self._drive, self._known = DriveState(), Known(archive_um=archive_um)
        self._at: int | None = None
        self._run: CheckRun | None = None
        if left is None:
            self._begin_pending()
        else:
            self._resume(*left)
        self._keep_standing()

    # -- what it tells -------------------------------------------------------------------------

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
        return None if self._run is None else self._run.ask

    @property
    def outcomes(self) -> tuple[Outcome, ...]:
        """Every outcome so far, in the order in which the checks ended."""
        return tuple(self._outcomes)

    @property
    def drive(self) -> DriveState:
        """How the drive has been left by now, as far as the answers tell."""
        return self._drive if self._run is None else self._run.situation.drive

    @property
    def known(self) -> Known:
        """What the checks so far, and the one in hand, have found."""
        return self._known if self._run is None else self._run.situation.known

    @property
    def nudges(self) -> int:
        """Nudges that were asked for and done, each tightening beyond the first counted as one."""
        return self.drive.nudges

    @property
    def target_um(self) -> float:
        """Where the middle of the hysteresis of head 0 is to be, from the disk's zero."""
        return target_of(self.profile, self.aim, self.known).um

    @property
    def zero_um(self) -> float:
        """Reading at which the middle of the hysteresis is at the aim, as the head rests now."""
        width, arrived = self.known.hysteresis_um, self.drive.arrived
        line_um = self.target_um - correction_um(self.profile, self.known, self.drive.side)
        if width is None or arrived is None:
            return line_um
        return line_um + (width.value / 2.0 if arrived is Side.OUTWARD else -width.value / 2.0)

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
        return all(step.state in ENDED for step in self._steps) and not self.open_failures

    @property
    def standing(self) -> JobStanding:
        """What is kept to go on another day: the check in hand then begins anew."""
        steps = kept_steps(self._steps, self._outcomes)
        of = (self.origin.source, self.origin.instrument)
        return JobStanding(steps, self.options, self.drive, self.known, *of, self.aim)

    @property
    def can_undo(self) -> bool:
        """Whether there is an answer in the step in hand to take back."""
        return self._run is not None and self._run.can_undo

    # -- what is done with it ------------------------------------------------------------------

    def answer(self, value: Answer, origin: Origin | None = None) -> None:
        """Answer what is asked, and go on to the next ask or step.

        Parameters
        ----------
        value : Measurement, number, text, bool or None
            What the ask wants; see :mod:`app.job.model`.
        origin : Origin, optional
            Where it was read from; where the measurement before came from when not given.

        Raises
        ------
        ValueError
            When nothing is asked, or the answer cannot stand; the sentence says what can.
        """
        run, step = self._run, self.step
        if run is None or run.ask is None or step is None:
            raise ValueError("nothing is asked; go to a step first")
        value = checked_answer(run.ask, value)
        if origin is not None:
            refused = self.origin.refusal(origin) or self.origin.change(origin)
            if refused is not None:
                raise ValueError(str(refused))
            self.origin = origin
        self._log_answer(step, run.ask, value)
        run.answer(value)
        self._end_if_done()
        self._keep_standing()

    def move_to(self, origin: Origin) -> None:
        """Go on with another source, of the same drive; the change is kept.

        Raises
        ------
        ValueError
            When it may not stand in this job; the sentence says why.
        """
        refused, change = self.origin.refusal(origin), self.origin.change(origin)
        if refused is not None:
            raise ValueError(str(refused))
        if change is not None:
            self._keep_note(SOURCE_CHANGED, str(change), origin)
        self.origin = origin
        self._keep_standing()

    def disk_has_stopped(self) -> None:
        """Take note that the disk stopped unasked: nobody knows whether it still lies as it did."""
        if self.known.seated_um is None:
            return
        self._known = replace(self._known, seated_um=None)
        if self._run is not None:
            situation = self._run.situation
            situation.known = replace(situation.known, seated_um=None)
        self._keep_note(DISK_STOPPED, str(messages.DISK_STOPPED))
        self._keep_standing()

    def aim_at(self, aim: Aim) -> None:
        """Have the head brought to another aim; what was done by the one before is done again.

        Raises
        ------
        ValueError
            When the job is closed.
        """
        if self.closed:
            raise ValueError("the job is closed; begin a new one for another aim")
        if aim == self.aim:
            return
        self.aim = aim
        self._keep_note(AIM_CHANGED, f"the aim is {aim}")
        if self.step is not None and self.step.stage is not Stage.AS_FOUND:
            self._set_aside()
            self._at = None
        done = [each for each in self._steps if each.state is StepState.DONE]
        again: set[CheckName] = set()
        if any(each.check in SETTING for each in done):
            left = {each.check for each in done if each.stage is Stage.AS_LEFT}
            again = SETTING | (left & set(OF_THE_HEAD))
        self.again(again)

    def skip(self, reason: str) -> None:
        """Leave out the step in hand; the reason is kept.

        Raises
        ------
        ValueError
            When no step is in hand, or the reason is empty.
        """
        if self._at is None:
            raise ValueError("no step is in hand; go to a step first")
        reason = reason.strip()
        if not reason:
            raise ValueError("a check is skipped for a reason; say it in a few words")
        self._set_aside()
        self._skip(self._at, reason)
        self._begin_pending(self._at)
        self._keep_standing()

    def go_to(self, index: int) -> None:
        """Take in hand a step that has not been done; the one in hand waits, and begins anew.

        Raises
        ------
        ValueError
            When it has been done.
        """
        if self._steps[index].state in ENDED:
            raise ValueError("this step has been done; repeat it")
        self._set_aside()
        self._begin(index)
        self._keep_standing()

    def repeat(self, index: int) -> None:
        """Do a step again, as a new one: the outcome of the first is kept.

        Once the work has begun nothing is measured as found any more, but for the work.
        """
        step = self._steps[index]
        if step.state not in ENDED:
            self.go_to(index)
            return
        self._set_aside()
        stage, place = step.stage, index + 1
        if stage is Stage.AS_FOUND and self._work_has_begun():
            stage, place = Stage.WORK, end_of_work(self._steps)
        self._steps.insert(place, Step(step.check, stage, step.head))
        self._begin(place)
        self._keep_standing()

    def again(self, checks: Collection[CheckName]) -> None:
        """Have checks done once more, each as it was done last, in the order of the job.

        One that the job does not have is passed over.
        """
        self._plan_again(
            step for step in newest_of(self._steps) if step.check in checks and step.state in ENDED
        )
        if self._at is None:
            self._begin_pending()
        self._keep_standing()

    def undo(self) -> None:
        """Take back the last answer of the step in hand: it is asked again.

        What was measured stays where it was kept.

        Raises
        ------
        ValueError
            When there is no answer to take back.
        """
        if self._run is None or not self._run.can_undo:
            raise ValueError("there is no answer in this step to take back")
        self._run.undo()
        self._keep_standing()

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
        self._set_aside()
        for index, step in enumerate(self._steps):
            if step.state is StepState.PENDING:
                self._skip(index, reason)
        self._at = None
        self._keep_standing()
        self.closed, self.closing_reason = True, reason
        if self._log is not None:
            self._log.close(self.nudges, reason)

    def _resume(self, standing: JobStanding, outcomes: Sequence[Outcome]) -> None:
        self._steps = steps_of(standing.steps, outcomes)
        self._outcomes, self._logged = list(outcomes), len(outcomes)
        self.options = standing.options
        self._drive = replace(standing.bench, disk=None, track=None, side=0, arrived=None)
        self._known, self.aim = standing.known, standing.aim
        if standing.source:
            of = {"source": standing.source, "instrument": standing.instrument}
            self.origin = replace(self.origin, **of)
        care = [index for index, step in enumerate(self._steps) if step.check is CheckName.CARE]
        if care:
            self.repeat(care[-1])
        else:
            self._begin_pending()

    def _begin(self, index: int) -> None:
        """Take a step in hand."""
        step = replace(self._steps[index], state=StepState.IN_HAND)
        if step.stage is Stage.AS_FOUND and self._is_touched(step.check):
            step = replace(step, stage=Stage.WORK)
        self._at, self._steps[index] = index, step
        self._run = CheckRun(CHECKS[step.check], lambda: self._situation(step))
        self._end_if_done()

    def _begin_pending(self, start: int = 0) -> None:
        """Take the next pending step in hand: from a place on, else from the beginning."""
        for index in (*range(start, len(self._steps)), *range(start)):
            if self._steps[index].state is StepState.PENDING:
                self._begin(index)
                return
        self._at = None

    def _end_if_done(self) -> None:
        run, at = self._run, self._at
        if run is None or run.outcome is None or at is None:
            return
        self._leave(run)
        self._end(at, run.outcome, StepState.DONE)
        self._begin_pending(at)

    def _leave(self, run: CheckRun) -> None:
        before, after = self._drive, run.situation.drive
        self._drive, self._known = after, run.situation.known
        self._run = None
        if before.moves != after.moves:
            self._void_as_left(OF_THE_HEAD)
        if before.trims != after.trims:
            self._void_as_left((CheckName.SPEED,))

    def _void_as_left(self, checks: Collection[CheckName]) -> None:
        """Have measured again as left what was measured before something was moved."""
        left = (Stage.AS_LEFT, StepState.DONE)
        self._plan_again(
            step
            for step in newest_of(self._steps)
            if step.check in checks and (step.stage, step.state) == left
        )

    def _plan_again(self, steps: Iterable[Step]) -> None:
        self._steps = with_again(self._steps, steps, self._work_has_begun())

    def _set_aside(self) -> None:
        """Leave the step in hand pending; the drive stays as the hands have left it."""
        if self._run is not None and self._at is not None:
            self._leave(self._run)
            self._steps[self._at] = replace(self._steps[self._at], state=StepState.PENDING)

    def _skip(self, index: int, reason: str) -> None:
        step = self._steps[index]
        outcome = Outcome(step.check, step.stage, Verdict.SKIPPED, step.head, reason=reason)
        self._end(index, outcome, StepState.SKIPPED)

    def _end(self, index: int, outcome: Outcome, state: StepState) -> None:
        step = self._steps[index]
        is_aimed = step.stage is not Stage.AS_FOUND and step.check in AIMED
        is_aimed = is_aimed and outcome.verdict is not Verdict.SKIPPED
        aim = aim_words(self.profile, self.aim, self._known) if is_aimed else ""
        outcome = replace(outcome, ended_at=self._now(), aim=aim)
        self._outcomes.append(outcome)
        self._steps[index] = replace(self._steps[index], state=state, outcome=outcome)

    def _log_answer(self, step: Step, ask: Ask, answer: Answer) -> None:
        """Keep an answer, but one that holds nothing but that something was done.

        The alignment disk wears each time that it is put in, so that is kept.
        """
        if self._log is None:
            return
        of = (step.check, step.stage)
        if isinstance(ask, Measure) and isinstance(answer, Measurement):
            entry = measured_entry(*of, ask, answer, self._now()).read_from(self.origin)
        elif isinstance(ask, Enter) and isinstance(answer, float | str):
            # It is of the same drive, and of no instrument.
            seen = Origin(self.origin.source, self.origin.virtual, profile=self.profile.name)
            entry = entered_entry(*of, ask, answer, self._now()).read_from(seen)
        elif isinstance(ask, Do) and ask.action is Action.INSERT_ALIGNMENT:
            seen = Origin(self.origin.source, self.origin.virtual, profile=self.profile.name)
            entry = Entry(*of, INSERTED, self._now()).read_from(seen)
        else:
            return
        self._log.keep(entry)

    def _keep_note(self, label: str, words: str, origin: Origin | None = None) -> None:
        """Keep something that is to be told of the job, beside the step in hand or the last one."""
        step = self.step or (self._steps[-1] if self._steps else None)
        if self._log is not None and step is not None:
            seen = origin or Origin(self.origin.source, self.origin.virtual)
            entry = Entry(step.check, step.stage, label, self._now(), notes=(words,))
            self._log.keep(entry.read_from(seen))

    def _keep_standing(self) -> None:
        # With the outcomes that it tells of: a job that was kept half would do a check again.
        new, self._logged = self._outcomes[self._logged :], len(self._outcomes)
        if self._log is not None:
            self._log.keep(*new, self.standing)

    def _situation(self, step: Step) -> Situation:
        of = (step.check, step.stage, step.head)
        known = (self._known, self._drive, self.outcomes, self.aim)
        pending = (each for each in self._steps if each.state not in ENDED)
        to_come = frozenset(each.check for each in pending) - {step.check}
        return Situation(self.profile, self.options, *of, *known, to_come)

    def _is_touched(self, check: CheckName) -> bool:
        """Whether what a check measures has been moved since the drive was brought in."""
        if check is CheckName.SPEED:
            return self._drive.trims > 0
        return check in OF_THE_HEAD and self._drive.loose is not None

    def _work_has_begun(self) -> bool:
        done = (step for step in self._steps if step.stage is not Stage.AS_FOUND)
        return self._drive.loose is not None or any(step.state is StepState.DONE for step in done)
