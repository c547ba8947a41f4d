"""The command ``job``: a job without a window, from its command line to its report."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

from app.analysis.results import Quantity
from app.book.archive import archive_of
from app.book.calibrations import ALIGNMENT_DISK
from app.book.model import BookError, Drive, JobSummary, ResumableJob
from app.book.store import Book, default_path, shown
from app.book.writer import JobWriter, head_for
from app.cli import output
from app.cli.arguments import UsageFault
from app.cli.book import check_out, descriptions_of, write_report
from app.cli.calibrations import calibrated, check_certificate
from app.cli.conduct import conduct, outcome_line, outcome_name
from app.cli.options import DEFAULT_PROFILE
from app.cli.prompting import Typist
from app.cli.source_check import recheck_before_job
from app.cli.steps import stepping_for
from app.ends import end_held_off
from app.files import PRIVATE_FOLDER, stem_for
from app.job.aims import aim_of
from app.job.job import Job
from app.job.model import (
    USUAL_CHECKS,
    Aim,
    CheckName,
    Entry,
    JobHead,
    JobOptions,
    Known,
    Outcome,
    Summary,
    Value,
)
from app.job.outcomes import hangs_on
from app.job.plan import Plan
from app.live.measurement import EnvelopeOptions
from app.live.proving import resolution_of
from app.live.stepping import Stepping
from app.numbers import Unit, words_shown
from app.profiles import Profile, load_profile
from app.stamp import now, version
from instruments.address import open_address
from instruments.source import (
    Role,
    Source,
    SourceInfo,
    SourceRequest,
)

SCHEMA = "evenlobe.job/1"


def checks_named(text: str | None) -> tuple[CheckName, ...]:
    """Read a list of checks, parted by commas; the usual ones when nothing is said.

    Raises
    ------
    UsageFault
        When a name is none.
    """
    if text is None:
        return USUAL_CHECKS
    words = [part.strip().lower() for part in text.split(",")]
    for word in words:
        if word not in set(CheckName):
            known = ", ".join(CheckName)
            raise UsageFault(f"--checks: “{word}” is not a check; use {known}, parted by commas")
    return tuple(map(CheckName, words))


_CHECK_KEYS = ("check", "stage", "side", "value", "u", "expanded_u", "dof", "unit")
_CHECK_KEYS += ("verdict", "conformity", "aim", "reason")


def job_as_json(
    job: Job, drive: str, head: JobHead, entries: Iterable[Entry] = ()
) -> dict[str, Any]:
    """Return a job with its entries as plain values: the object that ``job --json`` prints."""
    kept = tuple(entries)
    left_out = [{"check": check, "reason": why} for check, why in head.left_out]
    return {
        "schema": SCHEMA,
        "drive": drive,
        "virtual": head.virtual,
        "plan": {"name": head.plan, "left_out": left_out},
        "checks": [_check(each, kept) for each in job.outcomes],
        "as_found": _summary(job.as_found),
        "as_left": _summary(job.as_left),
        "aim": asdict(job.aim),
        "nudges": job.nudges,
    }


def _check(outcome: Outcome, entries: Iterable[Entry]) -> dict[str, Any]:
    provisos = {"provisos": hangs_on(outcome, entries)}
    budget = {"budget": [asdict(part) for part in outcome.budget]}
    return {key: getattr(outcome, key) for key in _CHECK_KEYS} | provisos | budget


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
    before = {} if left is None else dict(left.head.conditions)
    check_certificate(profile, {**before, **said}.get(ALIGNMENT_DISK, ""))
    source = open_address(options.source, SourceRequest(roles=roles, paced=False))
    with ExitStack() as opened:
        source.open()
        opened.callback(source.close)
        _check_workable(source)
        recheck_before_job(
            source, profile, (lambda line: None) if options.json else say, wanted=options.recheck
        )
        line = opened.enter_context(stepping_for(options.steps, source))
        info = source.info
        envelope.check(info)
        profile = calibrated(profile, options, source, said, left)
        if not options.json:
            _tell_of_input(info, profile, say)
        if left is None:
            of = (profile, version(), now(), Plan(options.plan or Plan.FULL), checks)
            head, number = head_for(info.name, info.virtual, *of), None
            head = replace(head, conditions=tuple(said.items()))
        else:
            left.check_fits(profile, info.virtual)
            head, number = left.head, left.number
            if said:
                with Book(options.book) as book:
                    book.describe_job(number, said)
            _tell_of(left, checks, options, say)
        aim = _aim(options.aim, profile, left, options.units)
        in_book = not options.no_book
        kept = JobWriter(drive, head, now, path=options.book, in_book=in_book, number=number)
        job, fault = _conduct(source, profile, envelope, checks, options, left, kept, line, aim=aim)
    if options.json:
        made = job_as_json(job, identity, kept.head, _entries(kept, job))
        say(json.dumps(made, allow_nan=False))
    else:
        say(_end(job) + ("; not all is in the book" if fault else ""))
    if options.report is not None or not options.no_book:
        _tell_report(job, kept, options, say, is_kept=not fault)
    return job.closed and not fault


def _entries(kept: JobWriter, job: Job) -> tuple[Entry, ...]:
    """Return all of a job's entries, or where the book cannot be read those of this run."""
    try:
        return kept.record(job)[0].entries
    except BookError:
        return kept.entries


def _say_ended(outcome: Outcome, kept: JobWriter, unit: Unit) -> None:
    """Print what a check came to, its verdict in a colour too where the terminal has it."""
    name, verdict = outcome_name(outcome), outcome.verdict
    inks = {f"{name}: {verdict}": output.INK_OF[verdict]} if verdict in output.INK_OF else {}
    output.say(outcome_line(outcome, hangs_on(outcome, kept.entries), unit), inks)


def _tell_of_input(info: SourceInfo, profile: Profile, say: Callable[[str], None]) -> None:
    """Say what is known of the input, and what it can resolve, before the work begins."""
    resolution = resolution_of(info, profile)
    for note in (*info.notes, *([] if resolution is None else [str(resolution)])):
        say(f"note: {note}")


def _tell_report(
    job: Job,
    kept: JobWriter,
    options: argparse.Namespace,
    say: Callable[[str], None],
    *,
    is_kept: bool,
) -> None:
    """Write the report, and say where; of a job that is not kept, why it is not written either."""
    try:
        out = _report(job, kept, options)
    except (UsageFault, BookError) as fault:
        if is_kept:
            raise
        # What the book lacks no later report will have: that is what the command's end tells.
        output.tell(f"evenlobe: {fault}")
        return
    if not options.json:
        say(f"{out}: the report")


def _report(job: Job, kept: JobWriter, options: argparse.Namespace) -> Path:
    """Write the report where that was asked for, else into a folder beside the book."""
    record, past = kept.record(job)
    how = {"unit": options.units, "language": options.language}
    if options.report is not None:
        write_report(record, past, options.report, overwrite=options.overwrite, **how)
        return options.report
    folder = (options.book or default_path()).parent / _REPORTS
    try:
        folder.mkdir(PRIVATE_FOLDER, exist_ok=True)
    except OSError as fault:
        raise UsageFault(
            f"report: “{folder}” cannot be made: {fault.strerror}; name a file with --report"
        ) from None
    # Two books in one folder have jobs of the same number.
    out = folder / f"{stem_for(record.drive.identity, record.number, kept.uid())}.html"
    write_report(record, past, out, overwrite=True, **how)
    return out


def _resumed(options: argparse.Namespace, identity: str) -> tuple[Drive, ResumableJob]:
    """Return the drive and its last job, which is open.

    Raises
    ------
    UsageFault, BookError
        When there is none to resume.
    """
    for name in (*_THOROUGH, "plan"):
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
    *,
    aim: Aim | None,
) -> tuple[Job, str]:
    """Run the job; returns it, and why not all of it could be written to the book."""
    asked = {name: getattr(options, name) for name in _THOROUGH}
    thorough = JobOptions(**{name: times for name, times in asked.items() if times is not None})

    def tell(outcome: Outcome) -> None:
        if not options.json:
            _say_ended(outcome, kept, options.units)

    try:
        job = conduct(
            source,
            profile,
            envelope,
            checks=checks,
            plan=Plan(options.plan or Plan.FULL),
            options=thorough,
            aim=aim,
            archive_um=None if options.no_book else _archive_um(kept),
            left=left,
            log=kept,
            typist=None if source.controls else Typist(sys.stdin, sys.stderr, options.units),
            line=line,
            tell=tell,
            same_drive=options.same_drive,
        )
    finally:
        with end_held_off():
            fault = kept.finish()
        if fault:
            output.tell(f"evenlobe: not all is in the book: {fault}")
    return job, fault


def _archive_um(kept: JobWriter) -> Quantity | None:
    """Return where the drive's head stood over an archive's track, as far as the book knows."""
    with Book(kept.path) as book:
        return archive_of(book, kept.drive.identity, virtual=kept.head.virtual)


def _aim(words: str | None, profile: Profile, left: ResumableJob | None, unit: Unit) -> Aim | None:
    """Return the aim that is asked for, None where none is; without a unit it is in `unit`.

    Raises
    ------
    UsageFault
        When there is none such.
    """
    if words is None:
        return None
    try:
        return aim_of(profile, Known() if left is None else left.standing.known, words, unit)
    except ValueError as fault:
        raise UsageFault(f"--aim: {words_shown(str(fault), unit)}") from None


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
    waiting = [outcome_name(each) for each in job.open_failures]
    return f"left open: {'; '.join(waiting) or 'not every check was done'}"
