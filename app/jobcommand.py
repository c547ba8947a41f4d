"""The command ``job``: source, book, technician and what is printed, put together."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable

from app.conduct import checks_named, conduct, job_as_json
from app.job.bench import JobOptions
from app.job.job import Job
from app.measure import EnvelopeOptions
from app.options import DEFAULT_PROFILE, UsageFault
from app.profiles import load_profile
from app.prompting import Typist
from instruments.addresses import open_address
from instruments.source import Role, Source, SourceRequest


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
    checks = checks_named(options.checks)
    identity = options.drive.strip()
    if not identity:
        raise UsageFault("--drive is empty; give the drive a name of your own")
    profile = load_profile(options.profile or DEFAULT_PROFILE)
    defaults = JobOptions()
    thorough = JobOptions(
        seatings=options.seatings or defaults.seatings,
        arrivals=options.arrivals or defaults.arrivals,
    )
    source = open_address(options.source, SourceRequest(roles=roles, paced=False))
    source.open()
    try:
        _check_workable(source)
        job = conduct(
            source,
            profile,
            envelope,
            checks=checks,
            options=thorough,
            typist=None if hasattr(source, "controls") else Typist(sys.stdin, sys.stderr),
            tell=None if options.json else say,
        )
        virtual = source.info.virtual
    finally:
        source.close()
    if options.json:
        say(json.dumps(job_as_json(job, identity, virtual), allow_nan=False))
    else:
        say(_end(job))
    return job.closed


def _check_workable(source: Source) -> None:
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
    failed = [f"{each.check}, {each.stage}" for each in job.open_failures]
    why = f"failed: {'; '.join(failed)}" if failed else "not every check was done"
    return f"left open, {why}"
