"""The command ``report``: a job from the book as one file to hand on."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path

from app.commands.options import UsageFault
from app.records.appearing import appearing
from app.records.blocks import Report
from app.records.book import Book, shown
from app.records.bookfile import default_path
from app.records.fault import BookError, told_of
from app.records.model import JobRecord, Past
from app.records.page import page_of
from app.records.report import report_of

_ENDINGS = (".html", ".pdf")


def run_report(options: argparse.Namespace, say: Callable[[str], None]) -> None:
    """Write the report that a command line asks for.

    Raises
    ------
    UsageFault, BookError
        When there is no such drive or job, or the report cannot be written.
    """
    check_out(options.out, options.overwrite)
    path = options.book or default_path()
    with told_of(str(path)):
        is_there = path.exists()
    if not is_there:
        raise BookError(f"book “{path}”: there is none; name another with --book")
    with Book(path) as book:
        past = book.history(options.drive)
        number = _number(past, options.drive, options.job, path)
        record = book.job(number)
    write_report(record, past, options.out, options.paper, overwrite=options.overwrite)
    mark = ", of the virtual drive" if record.head.virtual else ""
    say(f"{options.out}: the report of job {number}{mark}")


def write_report(
    record: JobRecord,
    history: Sequence[Past],
    out: Path,
    paper: str = "a4",
    *,
    overwrite: bool = False,
) -> None:
    """Write a job's report as HTML or PDF, by the ending of `out`; it appears once it is whole.

    Parameters
    ----------
    record, history : JobRecord, sequence of Past
        The job; all jobs of its drive.
    out : pathlib.Path
        Ends in ``.html`` or ``.pdf``.
    paper : str
        ``"a4"`` or ``"letter"``, of a PDF.
    overwrite : bool
        Replace what has that name.

    Raises
    ------
    UsageFault
        When it cannot be written; the message says why, and what to do.
    """
    check_out(out, overwrite)
    report = report_of(record, history)
    try:
        if out.suffix.lower() == ".html":
            _write_page(report, out)
        else:
            _write_pdf(report, out, paper)
    except OSError as fault:
        raise UsageFault(
            f"report “{out}”: {fault.strerror or fault}; choose another place"
        ) from None


def check_out(out: Path, overwrite: bool) -> None:
    """Refuse a name under which no report can be written, before any work is done.

    Raises
    ------
    UsageFault
        When its ending, its folder or what has that name already is in the way.
    """
    if out.suffix.lower() not in _ENDINGS:
        raise UsageFault(f"report “{out}”: its ending is not known; end it in .html or .pdf")
    try:
        has_folder, is_folder, exists = out.parent.is_dir(), out.is_dir(), out.exists()
    except OSError as fault:
        raise UsageFault(
            f"report “{shown(str(out))}”: {fault.strerror or fault}; choose another place"
        ) from None
    if not has_folder:
        raise UsageFault(f"report “{out}”: its folder is not there; make it, or name another")
    if is_folder:
        raise UsageFault(f"report “{out}”: this is a folder; choose another name")
    if exists and not overwrite:
        raise UsageFault(
            f"report “{out}”: it exists already; choose another name, or say --overwrite"
        )


def _number(past: Sequence[Past], identity: str, wanted: int | None, path: Path) -> int:
    """Return the job that is wanted: the newest where none is named."""
    numbers = [one.number for one in past]
    if not numbers:
        raise UsageFault(
            f"drive “{shown(identity)}” has no job in the book “{path}”; “evenlobe job” makes one"
        )
    if wanted is None:
        return max(numbers)
    if wanted not in numbers:
        known = ", ".join(map(str, sorted(numbers)[-10:]))
        raise UsageFault(f"drive “{shown(identity)}” has no job {wanted}; its newest are {known}")
    return wanted


def _write_page(report: Report, out: Path) -> None:
    with appearing(out) as name:
        name.write_text(page_of(report), encoding="utf-8", newline="\n")


def _write_pdf(report: Report, out: Path, paper: str) -> None:
    try:
        # Imported here: Qt takes half a second, and may lack libraries that nothing else needs.
        from app.printing import PrintFault, write_pdf
    except ImportError as missing:
        raise UsageFault(
            f"report “{out}”: a PDF needs Qt ({missing}); write FILE.html instead, and print that"
        ) from None
    try:
        write_pdf(report, out, paper)
    except PrintFault as fault:
        raise UsageFault(f"report “{out}”: {fault}") from None
