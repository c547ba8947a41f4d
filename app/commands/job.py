"""The command ``job``: source, book, technician and what is printed, put together."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from app.commands.arguments import DEFAULT_PROFILE
from app.commands.conduct import checks_named, conduct, job_as_json
from app.commands.options import UsageFault
from app.commands.prompting import Typist
from app.commands.report import check_out, write_report
from app.job.bench import JobOptions
from app.job.job import Job
from app.job.model import CheckName, Outcome
from app.live.measure import EnvelopeOptions
from app.profiles import Profile, load_profile
from app.records.appearing import stem_for
from app.records.book import Book, shown
from app.records.bookfile import default_path
from app.records.kept import Kept, head_for
from app.records.left import Left
from app.records.model import Drive
from app.stamp import now, version
from instruments.addresses import open_address
from instruments.source import Role, Source, SourceRequest

_REPORTS = "reports"


def run_job(
    options: argparse.Namespace,
    roles: tuple[Role | None, ...] | None,
    envelope: EnvelopeOptions,
    say: Callable[[str], None],
) -> bool:
    """Run the job that a command line asks for; returns whether it was closed.

    Raises
    ------
    UsageFault, SourceError, ProfileError, BookError
        When something that was asked for cannot be.
    """
    # A job that is gone on with does nothing twice, unless that is wanted.
    checks = () if options.resume and options.checks is None else checks_named(options.checks)
    identity = options.drive.strip()
    if not identity:
        raise UsageFault("--drive is empty; give the drive a name of your own")
    if options.report is not None:
        check_out(options.report, options.overwrite)
    drive, left = (
        _resumed(options, identity) if options.resume else (_drive(options, identity), None)
    )
    profile = load_profile(drive.profile)
    source = open_address(options.source, SourceRequest(roles=roles, paced=False))
    source.open()
    try:
        _check_workable(source)
        info = source.info
        envelope.check(info)
        if left is None:
            head, number = head_for(info.name, info.virtual, profile, version(), now()), None
        else:
            left.check_fits(profile, info.virtual)
            head, number = left.head, left.number
            _tell_of(left, checks, options, say)
        in_book = not options.no_book
        kept = Kept(drive, head, now, path=options.book, in_book=in_book, number=number)
        job = _conduct(source, profile, envelope, checks, options, left, kept, say)
    finally:
        source.close()
    if options.json:
        say(json.dumps(job_as_json(job, identity, kept.head.virtual), allow_nan=False))
    else:
        say(_end(job))
    if options.report is not None or not options.no_book:
        out = _report(job, kept, options)
        if not options.json:
            say(f"{out}: the report")
    return job.closed


def _report(job: Job, kept: Kept, options: argparse.Namespace) -> Path:
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


def _resumed(options: argparse.Namespace, identity: str) -> tuple[Drive, Left]:
    """Return the drive and its last job, which is open.

    Raises
    ------
    UsageFault, BookError
        When there is none to go on with.
    """
    for name in ("seatings", "arrivals"):
        if getattr(options, name) is not None:
            raise UsageFault(f"--resume goes on with a job as it was begun; leave out --{name}")
    if options.no_book:
        raise UsageFault("--resume takes the job from the book; leave out --no-book")
    with Book(options.book) as book:
        past = book.history(identity)
        if not past or past[-1].closed_at:
            why = "its last job is closed" if past else "it has no job yet"
            raise UsageFault(
                f"drive “{shown(identity)}”: {why}; leave --resume out to begin a new one"
            )
        left = book.left(past[-1].number)
    return replace(left.drive, profile=options.profile or left.head.profile), left


def _tell_of(
    left: Left,
    checks: tuple[CheckName, ...],
    options: argparse.Namespace,
    say: Callable[[str], None],
) -> None:
    """Say what is gone on with.

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
        if past and not past[-1].closed_at:
            sys.stderr.write(
                f"evenlobe: this is a new job; job {past[-1].number} of the drive is open, and "
                "--resume goes on with that\n"
            )
    profile = options.profile or (found.profile if found is not None else DEFAULT_PROFILE)
    return Drive(identity, profile, "" if found is None else found.note, now())


def _conduct(
    source: Source,
    profile: Profile,
    envelope: EnvelopeOptions,
    checks: tuple[CheckName, ...],
    options: argparse.Namespace,
    left: Left | None,
    kept: Kept,
    say: Callable[[str], None],
) -> Job:
    """Run the job; what waits for the book is written before this returns."""
    defaults = JobOptions()
    thorough = JobOptions(
        seatings=options.seatings or defaults.seatings,
        arrivals=options.arrivals or defaults.arrivals,
    )
    try:
        return conduct(
            source,
            profile,
            envelope,
            checks=checks,
            options=thorough,
            left=left,
            recorder=kept,
            typist=None if hasattr(source, "controls") else Typist(sys.stdin, sys.stderr),
            tell=None if options.json else say,
        )
    finally:
        fault = kept.finish()
        if fault:
            sys.stderr.write(f"evenlobe: not all is in the book: {fault}\n")


def _check_workable(source: Source) -> None:
    """Refuse what nobody can work on."""
    info = source.info
    if info.length_frames is not None:
        raise UsageFault(
            f"source “{info.name}”: a capture cannot be worked on; measure it with “evenlobe "
            "measure”"
        )
    if not hasattr(source, "controls") and info.name.startswith("pipe:"):
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
