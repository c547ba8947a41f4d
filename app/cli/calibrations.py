"""The command ``calibrations``, and what the book's calibrations change in a job that begins."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from datetime import date

from app.book.calibrations import ALIGNMENT_DISK, as_begun, calibrations_in, newest_of, used_for
from app.book.model import ResumableJob
from app.book.store import Book
from app.cli import output
from app.cli.arguments import UsageFault
from app.cli.book import Say, existing, say_table
from app.job.certificate import of_another_disk, out_of_date
from app.profiles import Profile, profile_values
from app.stamp import now
from instruments.source import Source


def list_calibrations(options: argparse.Namespace, say: Say) -> None:
    """Print the calibrations of the book, and when each is due."""
    with existing(options.book) as book:
        found = newest_of(calibrations_in(book))
    if not found:
        say("no calibration in the book yet; “evenlobe help calibration” tells how one is made")
        return
    today = date.fromisoformat(now()[:10])
    rows = [
        (
            each.disk,
            each.profile,
            each.words,
            f"{each.made_on}, job {each.job}",
            each.state_on(today),
            each.instrument or "–",
            "virtual drive" if each.virtual else "",
        )
        for each in found
    ]
    say_table(
        [("disk", "class", "what", "calibrated", "due", "instrument", ""), *rows],
        say,
    )


def check_certificate(profile: Profile, disk: str) -> None:
    """Refuse the certificate of another disk than a job names, and tell of one out of date.

    Raises
    ------
    UsageFault
        When the class's certificate is of another disk.
    """
    stated = {key: value for key, value, _ in profile_values(profile)}
    other = of_another_disk(stated, disk)
    if other is not None:
        raise UsageFault(f"profile “{profile.name}”: {other}")
    doubt = out_of_date(stated, date.fromisoformat(now()[:10]))
    if doubt is not None:
        output.tell(f"evenlobe: profile “{profile.name}”: {doubt}")


def calibrated(
    profile: Profile,
    options: argparse.Namespace,
    source: Source,
    said: Mapping[str, str],
    left: ResumableJob | None,
) -> Profile:
    """Return the class that a job goes by, with the book's calibrations that it may use.

    What is used, and what is not, is told. A job that is gone on with keeps those with which it
    was begun.

    Raises
    ------
    BookError
        When the book cannot be read.
    """
    if options.no_book:
        return profile
    with Book(options.book) as book:
        found = calibrations_in(book)
    if left is not None:
        return as_begun(profile, found, left.head.profile_values)
    use = used_for(
        profile,
        found,
        said.get(ALIGNMENT_DISK, ""),
        source.instrument,
        virtual=source.info.virtual,
        today=date.fromisoformat(now()[:10]),
    )
    for note in use.notes:
        output.tell(f"evenlobe: {note}")
    if use.notes and not said.get(ALIGNMENT_DISK, "").strip():
        output.tell(f"evenlobe: a disk is named by --describe '{ALIGNMENT_DISK}=…'")
    return use.profile
