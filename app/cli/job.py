"""The command ``job``: a job without a window, by prompts or by the virtual technician.

Threads: one reads the source and leads the job. With a person at the terminal there is a second,
named *typing*, which waits for lines and puts them into a queue, so that the source is read on
while the person works.
"""

from __future__ import annotations

import argparse
import json
import queue
import sys
import threading
import time
from collections.abc import Callable, Collection, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, TextIO

from app.analysis.messages import fill
from app.analysis.results import Message, Reading
from app.book.model import Drive, JobSummary, ResumableJob
from app.book.store import Book, default_path, shown
from app.book.writer import JobWriter, head_for
from app.cli import output
from app.cli.arguments import DEFAULT_PROFILE, UsageFault
from app.cli.book import check_out, descriptions_of, write_report
from app.cli.measure import Interrupt, interrupted
from app.cli.steps import stepping_for
from app.files import stem_for
from app.job import messages
from app.job.checks.prepare import NO, YES
from app.job.job import Job, JobLog
from app.job.model import (
    Action,
    Answer,
    Ask,
    CheckName,
    Do,
    Enter,
    JobOptions,
    Measure,
    Outcome,
    Summary,
    Value,
)
from app.job.plan import plan_for
from app.job.technician import Technician
from app.job.verdicts import what_next
from app.live.measurement import EnvelopeOptions
from app.live.proving import resolution_of
from app.live.runner import JobRunner, SourceReader
from app.live.stepping import Stepping
from app.numbers import chance_words, plus_minus
from app.profiles import Profile, load_profile
from app.stamp import now, version
from instruments.address import open_address
from instruments.source import (
    Role,
    Source,
    SourceError,
    SourceInfo,
    SourceRequest,
    SourceUnavailable,
)

_BACK = "back"
_WIRE = "wire"
_SKIP = "skip:"
_INSIST = "insist"
_LOOK_S = 0.05


@dataclass(frozen=True, slots=True)
class Skip:
    """Leave the check out."""

    reason: str


@dataclass(frozen=True, slots=True)
class Back:
    """Take the last answer back."""


@dataclass(frozen=True, slots=True)
class Wire:
    """Let the line step again."""


@dataclass(frozen=True, slots=True)
class Insist:
    """It was done, though nothing was seen of it."""


@dataclass(frozen=True, slots=True)
class Said:
    """An answer."""

    value: Answer


Reply = Said | Skip | Back | Wire | Insist


def read_reply(ask: Do | Enter, line: str) -> Reply | str:
    """Return what a typed line replies to an ask, or a sentence when it is no reply.

    Nothing means done, or that an entry is left open.
    """
    words = line.strip()
    if words.lower() == _BACK:
        return Back()
    if words.lower().startswith(_SKIP):
        reason = words[len(_SKIP) :].strip()
        return Skip(reason) if reason else "write the reason too, as skip: no such sensor"
    if isinstance(ask, Do):
        if words.lower() == _WIRE and ask.stops:
            return Wire()
        if words.lower() == _INSIST:
            return Insist()
        return f"“{words}” is no answer; press Enter once it is done" if words else Said(True)
    if not words:
        return Said(None)
    if ask.choices:
        return Said(words.lower())
    return Said(words.replace(",", "."))


class Typist:
    """A person at a terminal, who types `lines` and reads prompts in `out`."""

    def __init__(self, lines: TextIO, out: TextIO) -> None:
        self._out = out
        self._typed: queue.SimpleQueue[str] = queue.SimpleQueue()
        # Written by the typing thread alone:
        self._ended = False
        threading.Thread(target=self._listen, args=(lines,), name="typing", daemon=True).start()

    @property
    def ended(self) -> bool:
        """Whether nothing more can be typed, and all that was has been read."""
        return self._ended and self._typed.empty()

    def say(self, text: str) -> None:
        """Write a line."""
        self._out.write(text + "\n")
        self._out.flush()

    def prompt(self, ask: Do | Enter, where: str) -> None:
        """Write what is asked for, and how it is answered."""
        self._out.write(f"\n[{where}]\n{ask.message}\n{_how(ask)} > ")
        self._out.flush()

    def reply(self, ask: Do | Enter) -> Reply | None:
        """Return what was typed meanwhile, None when nothing was."""
        try:
            line = self._typed.get_nowait()
        except queue.Empty:
            return None
        found = read_reply(ask, line)
        if isinstance(found, str):
            self.say(found)
            return None
        return found

    def typed(self) -> bool:
        """Take a line that was typed meanwhile, whatever it says; returns whether one was."""
        try:
            self._typed.get_nowait()
        except queue.Empty:
            return False
        return True

    def _listen(self, lines: TextIO) -> None:
        for line in lines:
            self._typed.put(line)
        self._ended = True


def _how(ask: Do | Enter) -> str:
    if isinstance(ask, Enter):
        what = " or ".join(ask.choices) or (f"a number in {ask.unit}" if ask.unit else "a text")
        return f"{what}; Enter alone leaves it open (skip: why, back)"
    seen = "; the tool sees it by itself" if ask.noticed else ""
    return f"Enter when done{seen} (skip: why, back)"


SCHEMA = "evenlobe.job/1"


class _Interrupted(Exception):  # noqa: N818
    """Ctrl-C, or the end of what is typed, in the middle of something."""


def checks_named(text: str | None) -> tuple[CheckName, ...]:
    """Read a list of checks, parted by commas; all of them when nothing is said.

    Raises
    ------
    UsageFault
        When a name is none.
    """
    if text is None:
        return tuple(CheckName)
    words = [part.strip().lower() for part in text.split(",")]
    for word in words:
        if word not in set(CheckName):
            known = ", ".join(CheckName)
            raise UsageFault(f"--checks: “{word}” is not a check; use {known}, parted by commas")
    return tuple(map(CheckName, words))


def conduct(
    source: Source,
    profile: Profile,
    envelope: EnvelopeOptions,
    *,
    checks: Collection[CheckName] = tuple(CheckName),
    options: JobOptions | None = None,
    left: ResumableJob | None = None,
    log: JobLog | None = None,
    typist: Typist | None = None,
    line: Stepping | None = None,
    tell: Callable[[str], None] = lambda line: None,
    same_drive: bool = False,
) -> Job:
    """Run a job over an open source until it is done, given up or interrupted.

    A source with controls, the virtual drive, is worked on by the virtual technician; all others
    by the person at `typist`. The source is not closed here.

    Parameters
    ----------
    checks : collection of CheckName
        Those that are wanted; of a job that is resumed, those to be done once more.
    left : ResumableJob, optional
        An open job to resume; `options` are then its own.
    line : Stepping, optional
        What steps the drive by wire; not closed here.
    tell : callable, optional
        Called with a line for each check that ends.
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
        plan=plan_for(profile, checks, by_wire=line is not None),
        options=options,
        now=now,
        log=log,
        source=info.name,
        left=None if left is None else (left.standing, left.outcomes),
    )
    told = 0 if left is None else len(left.outcomes)

    def tell_ended() -> None:
        nonlocal told
        for outcome in job.outcomes[told:]:
            told += 1
            tell(outcome_line(outcome))

    if left is not None:
        job.again(checks)
    with interrupted() as stop:
        conductor = _Conductor(
            source, job, envelope, typist, line, stop, tell_ended, same_drive=same_drive
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
        self._technician = None if source.controls is None else Technician(source.controls)

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
            case Wire():
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
            self._say(f"{self._runner.doubt} Type “{_INSIST}” to say so.")

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
        typist.prompt(ask, self._where)
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
        return "end" if step is None else f"{step.check}, {step.stage}"

    def _read(self) -> tuple[Reading, float] | None:
        if self._stop.asked:
            raise _Interrupted
        return self._reader.read()


def outcome_line(outcome: Outcome) -> str:
    """Return an outcome in one line."""
    words = [f"{_name(outcome)}: {outcome.verdict}"]
    if outcome.value is not None:
        words.append(plus_minus(outcome.value, outcome.covering_u or 0.0, f" {outcome.unit}"))
    if outcome.conformity is not None:
        words.append(f"within its limit with {chance_words(outcome.conformity)}")
    if outcome.reason:
        words.append(f"({outcome.reason})")
    following = what_next(outcome)
    if following is not None:
        words.append(f"Next: {following}.")
    return "  ".join(words)


_CHECK_KEYS = ("check", "stage", "side", "value", "u", "expanded_u", "dof", "unit")
_CHECK_KEYS += ("verdict", "conformity", "reason")


def job_as_json(job: Job, drive: str, virtual: bool) -> dict[str, Any]:
    """Return a job as plain values: the object that ``job --json`` prints."""
    return {
        "schema": SCHEMA,
        "drive": drive,
        "virtual": virtual,
        "checks": [_check(each) for each in job.outcomes],
        "as_found": _summary(job.as_found),
        "as_left": _summary(job.as_left),
        "nudges": job.nudges,
    }


def _check(outcome: Outcome) -> dict[str, Any]:
    budget = {"budget": [asdict(part) for part in outcome.budget]}
    return {key: getattr(outcome, key) for key in _CHECK_KEYS} | budget


def _summary(summary: Summary) -> dict[str, Any]:
    values: dict[str, Value | None] = {
        each.name: getattr(summary, each.name) for each in fields(summary)
    }
    return {name: each and {"value": each.value, "u": each.u} for name, each in values.items()}


_REPORTS = "reports"
_THOROUGH = ("seatings", "arrivals")
"""Options that say how thorough a job is."""


def run_job(
    options: argparse.Namespace,
    roles: tuple[Role | None, ...] | None,
    envelope: EnvelopeOptions,
    say: Callable[[str], None],
) -> bool:
    """Run the job that a command line asks for; returns whether it was closed and is kept.

    Raises
    ------
    UsageFault, SourceError, ProfileError, BookError
        When something that was asked for cannot be.
    """
    # A job that is gone on with does nothing twice, unless that is wanted.
    said = descriptions_of(options.describe)
    resumes = options.resume is not None
    checks = () if resumes and options.checks is None else checks_named(options.checks)
    identity = options.drive.strip()
    if not identity:
        raise UsageFault("--drive is empty; give the drive a name of your own")
    if options.report is not None:
        check_out(options.report, options.overwrite, options.book or default_path())
    drive, left = _resumed(options, identity) if resumes else (_drive(options, identity), None)
    profile = load_profile(drive.profile)
    source = open_address(options.source, SourceRequest(roles=roles, paced=False))
    with ExitStack() as opened:
        source.open()
        opened.callback(source.close)
        _check_workable(source)
        line = opened.enter_context(stepping_for(options.steps, source))
        info = source.info
        envelope.check(info)
        if not options.json:
            _tell_of_input(info, profile, say)
        if left is None:
            head, number = head_for(info.name, info.virtual, profile, version(), now()), None
            head = replace(head, conditions=tuple(said.items()))
        else:
            left.check_fits(profile, info.virtual)
            head, number = left.head, left.number
            if said:
                with Book(options.book) as book:
                    book.describe_job(number, said)
            _tell_of(left, checks, options, say)
        in_book = not options.no_book
        kept = JobWriter(drive, head, now, path=options.book, in_book=in_book, number=number)
        job, fault = _conduct(source, profile, envelope, checks, options, left, kept, line, say)
    if options.json:
        say(json.dumps(job_as_json(job, identity, kept.head.virtual), allow_nan=False))
    else:
        say(_end(job) + ("; not all is in the book" if fault else ""))
    if options.report is not None or not options.no_book:
        out = _report(job, kept, options)
        if not options.json:
            say(f"{out}: the report")
    return job.closed and not fault


def _tell_of_input(info: SourceInfo, profile: Profile, say: Callable[[str], None]) -> None:
    """Say what is known of the input, and what it can resolve, before the work begins."""
    resolution = resolution_of(info, profile)
    for note in (*info.notes, *([] if resolution is None else [str(resolution)])):
        say(f"note: {note}")


def _report(job: Job, kept: JobWriter, options: argparse.Namespace) -> Path:
    """Write the report where that was asked for, else into a folder beside the book."""
    record, past = kept.record(job)
    if options.report is not None:
        write_report(record, past, options.report, overwrite=options.overwrite)
        return options.report
    folder = (options.book or default_path()).parent / _REPORTS
    try:
        folder.mkdir(exist_ok=True)
    except OSError as fault:
        raise UsageFault(
            f"report: “{folder}” cannot be made: {fault.strerror}; name a file with --report"
        ) from None
    out = folder / f"{stem_for(record.drive.identity, record.number)}.html"
    write_report(record, past, out, overwrite=True)
    return out


def _resumed(options: argparse.Namespace, identity: str) -> tuple[Drive, ResumableJob]:
    """Return the drive and its last job, which is open.

    Raises
    ------
    UsageFault, BookError
        When there is none to resume.
    """
    for name in _THOROUGH:
        if getattr(options, name) is not None:
            raise UsageFault(f"--resume goes on with a job as it was begun; leave out --{name}")
    if options.no_book:
        raise UsageFault("--resume takes the job from the book; leave out --no-book")
    with Book(options.book) as book:
        left = book.left(_to_resume(book.history(identity), identity, options.resume))
    return replace(left.drive, profile=options.profile or left.head.profile), left


def _to_resume(past: Sequence[JobSummary], identity: str, wanted: int) -> int:
    """Return the number of the job to go on with: the newest that is open where none is named.

    Raises
    ------
    UsageFault
        When there is none, or the one that is named is another drive's.
    """
    still_open = [job.number for job in past if not job.closed_at]
    if wanted:
        if wanted not in [job.number for job in past]:
            raise UsageFault(f"drive “{shown(identity)}” has no job {wanted}; “drives” lists them")
        return wanted
    if not still_open:
        why = "its jobs are closed" if past else "it has no job yet"
        raise UsageFault(f"drive “{shown(identity)}”: {why}; leave --resume out to begin a new one")
    return still_open[-1]


def _tell_of(
    left: ResumableJob,
    checks: tuple[CheckName, ...],
    options: argparse.Namespace,
    say: Callable[[str], None],
) -> None:
    """Say which job is resumed.

    Raises
    ------
    UsageFault
        When it has no check that is to be done once more.
    """
    for check in checks:
        if check not in {step.check for step in left.standing.steps}:
            raise UsageFault(
                f"--checks: job {left.number} has no check “{check}”; begin a new job for it"
            )
    if options.json:
        return
    say(f"goes on with job {left.number}, begun {left.head.opened_at[:16].replace('T', ' ')}")
    if left.head.virtual:
        say("the virtual drive is anew as it was brought in: what was adjusted on it is undone")


def _drive(options: argparse.Namespace, identity: str) -> Drive:
    """Return the drive as the book has it, or a new one.

    The book is opened here, so that one that cannot be used is told before the work begins.
    """
    found = None
    if not options.no_book:
        with Book(options.book) as book:
            found = book.drive(identity)
            past = () if found is None else book.history(identity)
        still_open = [str(job.number) for job in past if not job.closed_at]
        if still_open:
            output.tell(
                f"evenlobe: this is a new job; job {', '.join(still_open)} of the drive is open, "
                f"and --resume {still_open[-1]} goes on with that"
            )
    profile = options.profile or (found.profile if found is not None else DEFAULT_PROFILE)
    return Drive(identity, profile, "" if found is None else found.note, now())


def _conduct(
    source: Source,
    profile: Profile,
    envelope: EnvelopeOptions,
    checks: tuple[CheckName, ...],
    options: argparse.Namespace,
    left: ResumableJob | None,
    kept: JobWriter,
    line: Stepping | None,
    say: Callable[[str], None],
) -> tuple[Job, str]:
    """Run the job; returns it, and why not all of it could be written to the book."""
    asked = {name: getattr(options, name) for name in _THOROUGH}
    thorough = JobOptions(**{name: times for name, times in asked.items() if times is not None})
    try:
        job = conduct(
            source,
            profile,
            envelope,
            checks=checks,
            options=thorough,
            left=left,
            log=kept,
            typist=None if source.controls else Typist(sys.stdin, sys.stderr),
            line=line,
            tell=(lambda line: None) if options.json else say,
            same_drive=options.same_drive,
        )
    finally:
        fault = kept.finish()
        if fault:
            output.tell(f"evenlobe: not all is in the book: {fault}")
    return job, fault


def _check_workable(source: Source) -> None:
    """Refuse what nobody can work on."""
    info = source.info
    if info.length_frames is not None:
        raise UsageFault(
            f"source “{info.name}”: a capture cannot be worked on; measure it with “evenlobe "
            "measure”"
        )
    if source.controls is None and info.name.startswith("pipe:"):
        raise UsageFault(
            f"source “{info.name}”: standard input carries the samples, and nobody could answer; "
            "measure it with “evenlobe measure”"
        )


def _end(job: Job) -> str:
    if job.closed:
        return f"closed after {job.nudges} nudges"
    waiting = [_name(each) for each in job.open_failures]
    return f"left open: {'; '.join(waiting) or 'not every check was done'}"


def _name(outcome: Outcome) -> str:
    side = f" side {outcome.side}" if outcome.side else ""
    return f"{outcome.check}{side}, {outcome.stage}"
