"""A job led without a window: by the prompts of a terminal, or by the virtual technician.

Threads: one reads the source and leads the job.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Sequence

from app.analysis.messages import fill
from app.analysis.results import Message, Quantity, Reading
from app.book.model import ResumableJob
from app.cli import output
from app.cli.measure import Interrupt, interrupted
from app.cli.prompting import INSIST, Back, ByWire, Insist, Reply, Said, Skip, Typist
from app.job import messages
from app.job.checks.prepare import NO, YES
from app.job.job import Job, JobLog
from app.job.model import (
    USUAL_CHECKS,
    Action,
    Aim,
    Ask,
    CheckName,
    Do,
    Enter,
    JobOptions,
    Measure,
    Outcome,
)
from app.job.plan import SETTING, Plan, plan_for
from app.job.technician import Technician
from app.job.units import outcome_in
from app.job.verdicts import what_next
from app.live.measurement import EnvelopeOptions
from app.live.runner import JobRunner, SourceReader
from app.live.stepping import Stepping
from app.numbers import Unit, chance_words, plus_minus
from app.profiles import Profile
from app.stamp import now
from instruments.source import (
    Source,
    SourceError,
    SourceUnavailable,
)

_LOOK_S = 0.05


class _Interrupted(Exception):  # noqa: N818
    """Ctrl-C, or the end of what is typed, in the middle of something."""


def conduct(
    source: Source,
    profile: Profile,
    envelope: EnvelopeOptions,
    *,
    checks: Collection[CheckName] = USUAL_CHECKS,
    plan: Plan = Plan.FULL,
    options: JobOptions | None = None,
    aim: Aim | None = None,
    archive_um: Quantity | None = None,
    left: ResumableJob | None = None,
    log: JobLog | None = None,
    typist: Typist | None = None,
    technician: Technician | None = None,
    line: Stepping | None = None,
    tell: Callable[[Outcome], None] = lambda outcome: None,
    same_drive: bool = False,
) -> Job:
    """Run a job over an open source until it is done, given up or interrupted.

    A source with controls, the virtual drive, is worked on by the virtual technician; all others
    by the person at `typist`. The source is not closed here.

    Parameters
    ----------
    checks : collection of CheckName
        Those that are wanted; of a job that is resumed, those to be done once more.
    plan : Plan
        What a new job is for.
    aim : Aim, optional
        Where the head is to be; as it was before, or the disk's zero, when not given.
    archive_um : Quantity, optional
        How far the head stood off the middle of an archive's track when a job before left it.
    left : ResumableJob, optional
        An open job to resume; `options` are then its own.
    technician : Technician, optional
        Who works on the virtual drive, where that is another than who is there by itself.
    line : Stepping, optional
        What steps the drive by wire; not closed here.
    tell : callable, optional
        Called with the outcome of each check that ends.
    same_drive : bool
        Go on with another source than was measured before, without asking.

    Raises
    ------
    SourceError
        When the source cannot be read, and nobody is there who could mend it; what was measured
        until then is kept.
    BookError
        When what was left does not fit the source or the class.
    """
    info = source.info
    envelope.check(info)
    if left is not None:
        left.check_fits(profile, info.virtual)

    job = Job(
        profile,
        info.virtual,
        plan=plan_for(profile, checks, plan=plan),
        options=options,
        now=now,
        log=log,
        source=info.name,
        archive_um=archive_um,
        left=None if left is None else (left.standing, left.outcomes),
    )
    told = 0 if left is None else len(left.outcomes)

    def tell_ended() -> None:
        nonlocal told
        for outcome in job.outcomes[told:]:
            told += 1
            tell(outcome)

    if left is not None:
        job.again(checks)
    if aim is not None:
        job.aim_at(aim)
    with interrupted() as stop:
        if technician is None and source.controls is not None:
            technician = Technician(source.controls)
        workers = (typist, technician, line)
        conductor = _Conductor(
            source, job, envelope, *workers, stop, tell_ended, same_drive=same_drive
        )
        conductor.run()
    return job


class _Conductor:
    """Answers a job's asks, one after the other, by the virtual technician or by a person."""

    def __init__(
        self,
        source: Source,
        job: Job,
        envelope: EnvelopeOptions,
        typist: Typist | None,
        technician: Technician | None,
        line: Stepping | None,
        stop: Interrupt,
        tell_ended: Callable[[], None],
        *,
        same_drive: bool,
    ) -> None:
        self._job = job
        self._reader = SourceReader(source, job.profile, envelope)
        self._runner = JobRunner(job, self._reader, line)
        self._typist = typist
        self._stop = stop
        self._tell_ended = tell_ended
        self._same_drive = same_drive
        self._technician = technician

    def run(self) -> None:
        """Go on until nothing is asked any more, or somebody asks for the end; close the job.

        It stays open where checks are not done, or have failed and no reason is given.
        """
        try:
            while self._job.ask is not None:
                self._tell_ended()
                try:
                    self._meet(self._job.ask)
                except SourceError as fault:
                    self._mend(fault)
            self._tell_ended()
            reason = "" if self._job.may_close else self._closing_reason()
        except _Interrupted:
            reason = ""
        if self._job.may_close or reason:
            self._runner.close(reason)
        self._tell_ended()

    def _meet(self, ask: Ask) -> None:
        """Have what is asked answered.

        Raises
        ------
        SourceError
            When the source cannot be read, or does not fit; it is asked for as before.
        """
        if isinstance(ask, Measure):
            self._measure()
        elif self._runner.line is not None and self._runner.line.takes(ask):
            self._by_wire(self._runner.line, ask)
        elif self._technician is None:
            self._by_person(ask)
        elif isinstance(ask, Enter):
            self._runner.answer(self._technician.answer(ask))
        else:
            self._reader.watch(self._runner.hand.watches)
            self._technician.answer(ask)
            # What is seen of the virtual drive's move follows from the next block.
            self._read()
            if not self._runner.done() and not self._is_seen():
                self._runner.insist()

    def _measure(self) -> None:
        self._reader.watch(False)
        obstacle = self._runner.measure()
        if obstacle is not None and self._runner.refusal is None and self._is_accepted(obstacle):
            self._runner.accept_change()
            obstacle = self._runner.measure()
        if obstacle is not None:
            may_be_said = self._typist is None and self._runner.refusal is None
            remedy = " Say --same-drive where it is." if may_be_said else ""
            raise SourceUnavailable(f"{obstacle}{remedy}")
        while self._runner.part is not None:
            self._read()
            news = self._runner.poll()
            if news is not None and news.fault:
                raise SourceUnavailable(news.fault)

    def _is_accepted(self, question: Message) -> bool:
        """Ask whether the job goes on with another source."""
        if self._same_drive or self._typist is None:
            return self._same_drive
        reply = self._reply(Enter("source", question, choices=(YES, NO)))
        return isinstance(reply, Said) and reply.value == YES

    def _is_seen(self) -> bool:
        """Read on until it is seen that the hand has done what was asked, or that it was not."""
        while self._runner.doubt is None:
            seen = self._read()
            if seen is not None and self._runner.see(*seen):
                return True
        return False

    def _mend(self, fault: SourceError) -> None:
        """Wait until the person has mended what is wrong with the source, and open it again.

        Raises
        ------
        SourceError
            When nobody is there who could.
        """
        typist, mended = self._typist, False
        self._runner.cancel()
        while not mended:
            if typist is None:
                raise fault
            ask = Do(Action.CONFIRM, fill(messages.MEND_SOURCE, fault))
            typist.prompt(ask, "the source")
            while typist.reply(ask) is None:
                if self._stop.asked or typist.ended:
                    raise _Interrupted
                time.sleep(_LOOK_S)
            try:
                self._reader.reopen()
                mended = True
            except SourceError as again:
                fault = again

    def _by_wire(self, line: Stepping, ask: Ask) -> None:
        """Let the line step until that is done, or is for the hands after all."""
        assert isinstance(ask, Do)
        if self._typist is not None:
            self._typist.say(f"\n[{self._where}]\n{ask.message}\nby wire; Enter takes over")
        self._reader.watch(ask.noticed)
        while line.takes(ask):
            if self._typist is not None and self._typist.typed():
                line.take_over()
                return
            seen = self._read()
            if seen is not None:
                self._runner.see(*seen)
            if self._runner.step():
                return
        self._say(line.said)

    def _give_back(self) -> None:
        """Let the line step again, where one is stated."""
        if self._runner.line is not None:
            self._runner.line.give_back()
        else:
            self._say("no line is stated; begin with --steps, or step by hand")

    def _say(self, words: str) -> None:
        """Tell the person at the terminal."""
        if self._typist is not None:
            self._typist.say(words)
        else:
            output.tell(f"evenlobe: {words}")

    def _by_person(self, ask: Do | Enter) -> None:
        match self._reply(ask):
            case ByWire():
                self._give_back()
            case Insist() if self._runner.doubt is not None:
                self._runner.insist()
            case Said(True) if isinstance(ask, Do):
                self._say_done()
            case Skip(reason):
                self._runner.skip(reason)
            case Back() if self._job.can_undo:
                self._runner.undo()
            case Said(value):
                try:
                    self._runner.answer(value)
                except ValueError as fault:
                    # What was typed is no answer; it is asked for again.
                    self._say(str(fault))

    def _say_done(self) -> None:
        if self._runner.done():
            return
        if self._is_seen():
            self._say("seen")
        elif self._runner.doubt is not None:
            self._say(f"{self._runner.doubt} Type “{INSIST}” to say so.")

    def _closing_reason(self) -> str:
        """Return the person's reason for closing with open failures, empty where there is none."""
        if self._typist is None:
            return ""
        reply = self._reply(Enter("closing reason", messages.CLOSE_ANYWAY))
        return str(reply.value or "") if isinstance(reply, Said) else ""

    def _reply(self, ask: Do | Enter) -> Reply | None:
        """Read the source on until the person replies, None where the tool saw that it was done."""
        typist = self._typist
        if typist is None:
            raise _Interrupted
        noticed = isinstance(ask, Do) and self._runner.hand.notices
        typist.prompt(ask, self._where, noticed=noticed)
        self._reader.watch(isinstance(ask, Do) and self._runner.hand.watches)
        while not typist.ended:
            reply = typist.reply(ask)
            if reply is not None:
                return reply
            seen = self._read()
            if seen is not None and self._runner.see(*seen):
                typist.say("seen")
                return None
        raise _Interrupted

    @property
    def _where(self) -> str:
        step = self._job.step
        if step is None:
            return "end"
        aim = f", to {self._job.aim}" if step.check in SETTING else ""
        return f"{step.check}, {step.stage}{aim}"

    def _read(self) -> tuple[Reading, float, float] | None:
        if self._stop.asked:
            raise _Interrupted
        return self._reader.read()


def outcome_line(outcome: Outcome, provisos: Sequence[str] = (), unit: Unit = Unit.UM) -> str:
    """Return an outcome in one line, its lengths in `unit`, with what its number hangs on."""
    outcome = outcome_in(outcome, unit)
    words = [f"{outcome_name(outcome)}: {outcome.verdict}"]
    if outcome.value is not None:
        found = plus_minus(outcome.value, outcome.covering_u or 0.0, f" {outcome.unit}")
        words.append(", ".join([found, *provisos]))
    if outcome.conformity is not None:
        words.append(f"within its limit with {chance_words(outcome.conformity)}")
    if outcome.reason:
        words.append(f"({outcome.reason})")
    following = what_next(outcome)
    if following is not None:
        words.append(f"Next: {following}.")
    return "  ".join(words)


def outcome_name(outcome: Outcome) -> str:
    """Return an outcome's check with side and stage."""
    side = f" side {outcome.side}" if outcome.side else ""
    return f"{outcome.check}{side}, {outcome.stage}"
