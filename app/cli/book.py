"""The commands of the job book: drives, report, export, import, backup."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from app.book.drift import drifts_of
from app.book.exchange import CSV_NAMES, export_csv, export_json, import_json
from app.book.model import (
    BookError,
    CodingError,
    DriveSummary,
    JobRecord,
    JobSummary,
    as_book_error,
)
from app.book.store import Book, default_path, files_of, is_of_book, shown
from app.cli.arguments import UsageFault
from app.files import folder_for, why_unreadable
from app.job.model import DESCRIPTIONS, Value
from app.language import ENGLISH
from app.numbers import Unit, plus_minus
from app.report.blocks import Report
from app.report.check import age_words, changes_in_page, changes_in_sheets, changes_since_book
from app.report.content import report_of
from app.report.html import write_page
from app.report.seal import Sealed

Say = Callable[[str], None]


def list_drives(options: argparse.Namespace, say: Say) -> None:
    """Print the drives whose identity, class or note has the search in it."""
    with existing(options.book) as book:
        found = book.drives(options.search or "")
        past = book.history(found[0].drive.identity) if len(found) == 1 else ()
        worn = book.insertions()
    if not found:
        say("no drive in the book" + (" has that in it" if options.search else " yet"))
        return
    say_table([("drive", "class", "jobs", "last", "offset as left"), *map(_row, found)], say)
    if len(found) == 1 and past:
        say("")
        _tell_history(past, say)
    for disk, times in sorted(worn.items()):
        say(f"alignment disk {shown(disk) or 'that was not named'}: put in {times} times in all")


def describe(options: argparse.Namespace, say: Say) -> None:
    """Say who did a job, for whom and with what; print what is said."""
    with existing(options.book) as book:
        past = book.history(options.drive)
        number = _number(past, options.drive, options.job, book.path)
        if options.said:
            book.describe_job(number, descriptions_of(options.said))
        said = dict(book.job(number).head.conditions)
    say_table([(name, said.get(name, "–")) for name, _ in DESCRIPTIONS], say)


def descriptions_of(words: Iterable[str]) -> dict[str, str]:
    """Read descriptions as KEY=TEXT.

    Raises
    ------
    UsageFault
        When one is not written so, or its key is none.
    """
    known = [name for name, _ in DESCRIPTIONS]
    said: dict[str, str] = {}
    for each in words:
        name, equals, text = each.partition("=")
        if not equals or name.strip().lower() not in known:
            raise UsageFault(
                f"“{shown(each)}” describes no job; write KEY=TEXT, the key one of "
                f"{', '.join(known)}"
            )
        said[name.strip().lower()] = text.strip()
    return said


def export(options: argparse.Namespace, say: Say) -> None:
    """Write the whole book as JSON, or as CSV files into a folder."""
    out: Path = options.out
    as_csv = options.format == "csv"
    names = [out / name for name in CSV_NAMES] if as_csv else [out]
    _check_names(names, options)
    with existing(options.book) as book:
        jobs = export_csv(book, out) if as_csv else export_json(book, out)
    say(f"{out}: {jobs} jobs")


def import_(options: argparse.Namespace, say: Say) -> None:
    """Add what an export holds."""
    with Book.to_fill(options.book) as book:
        drives, jobs = import_json(book, options.file)
    say(f"{options.file}: {drives} drives and {jobs} jobs added")


def backup(options: argparse.Namespace, say: Say) -> None:
    """Copy the book while it may be in use."""
    _check_names(files_of(options.out), options)
    with existing(options.book) as book:
        book.backup(options.out)
    say(f"{options.out}: the copy is whole")


def restore(options: argparse.Namespace, say: Say) -> None:
    """Put a backup in the book's place, once it is known to be whole; keep the book beside it."""
    path = options.book or default_path()
    with as_book_error(str(path)):
        taken = path.exists()
    with as_book_error(str(options.file)):
        if is_of_book(options.file, path):
            raise BookError(f"restore “{options.file}”: this is the book itself; name a backup")
    if taken and not options.overwrite:
        raise BookError(
            f"book “{path}” is there; add --overwrite to put the backup in its place: the book is "
            "kept beside it under another name"
        )
    with existing(options.file, "name a file of “evenlobe backup”") as kept:
        kept.check()
        with folder_for(path):
            before = kept.backup(path, aside=taken)
    if before is not None:
        say(f"{before}: the book as it was")
    say(f"{path}: restored from {options.file}")


def _tell_history(past: Sequence[JobSummary], say: Say) -> None:
    """Print the jobs of one drive, and how each of its numbers goes with the months."""
    rows = [
        (
            "job",
            "opened",
            "closed",
            "nudges",
            "disk in",
            "as found",
            "as left",
            "hysteresis",
            "speed",
        )
    ]
    for each in past:
        left = each.as_left
        rows.append(
            (
                str(each.number),
                each.opened_at[:16].replace("T", " "),
                "yes" if each.closed_at else "open",
                str(each.nudges),
                str(each.insertions),
                _words(each.as_found.offset_um, 1),
                _words(left.offset_um, 1),
                _words(left.hysteresis_um or each.as_found.hysteresis_um, 1),
                _words(left.speed_rpm or each.as_found.speed_rpm, 2),
            )
        )
    say_table(rows, say)
    # The virtual drive's jobs and those of a real one are not of one course.
    alike = [each for each in past if each.virtual == past[-1].virtual]
    for course in drifts_of(alike):
        rate = course.rate_per_year
        if not course.is_in_order:
            say(
                f"{course.name}: the jobs' times do not follow their numbers, so no drift can be "
                "told; look to the computer's clock"
            )
        elif rate is None and course.finding.rate_per_year is not None:
            say(f"{course.name}: {course.days} days from first to last are too few to tell a drift")
        if rate is not None:
            sure = "it drifts" if course.finding.drifts else "no drift beyond its uncertainty"
            unit = f" {course.unit} a year"
            figures = plus_minus(rate.value, rate.u, unit, places=2, sign="+")
            say(f"{course.name}, adjustments taken out: {figures}; {sure}")


def say_table(rows: Sequence[Sequence[str]], say: Say) -> None:
    """Print rows in columns; a line that a cell begins would look like one of ours."""
    rows = [[cell.replace("\n", "\ufffd") for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        say("  ".join(cells).rstrip())


def existing(path: Path | None, remedy: str = "“evenlobe job” begins one") -> Book:
    """Open a book that is there; one that is asked for something is not made for that."""
    where = default_path() if path is None else path
    with as_book_error(str(where)):
        there = where.exists()
    if not there:
        raise BookError(f"book “{where}”: there is none; {remedy}")
    return Book(where, to_read=True)


def _check_names(paths: Iterable[Path], options: argparse.Namespace) -> None:
    """Refuse names that are the book's own, or taken by what is not to be replaced."""
    for path in paths:
        try:
            own = is_of_book(path, options.book or default_path())
            taken = path.exists() and not options.overwrite
        except OSError as fault:
            raise BookError(f"“{path}”: {fault.strerror or fault}; choose another name") from None
        if own:
            raise BookError(f"“{path}” is the book itself; choose another name")
        if taken:
            raise BookError(f"“{path}” is there already; choose another name, or add --overwrite")


def _row(each: DriveSummary) -> tuple[str, str, str, str, str]:
    last = each.last
    offset = None if last is None else last.as_left.offset_um or last.as_found.offset_um
    return (
        shown(each.drive.identity),
        shown(each.drive.profile),
        str(each.jobs),
        "–" if last is None else last.opened_at[:10],
        _words(offset, 1),
    )


def _words(value: Value | None, places: int) -> str:
    if value is None:
        return "–"
    return plus_minus(value.value, value.u, f" {value.unit}", places=places)


_ENDINGS = (".html", ".pdf")


def run_report(options: argparse.Namespace, say: Say) -> None:
    """Write the report that a command line asks for.

    Raises
    ------
    UsageFault, BookError
        When there is no such drive or job, or the report cannot be written.
    """
    path = options.book or default_path()
    check_out(options.out, options.overwrite, path)
    with existing(path, "name another with --book") as book:
        past = book.history(options.drive)
        number = _number(past, options.drive, options.job, path)
        record = book.job(number)
    how = {"overwrite": options.overwrite, "unit": options.units, "language": options.language}
    write_report(record, past, options.out, options.paper, **how)
    mark = ", of the virtual drive" if record.virtual else ""
    say(f"{options.out}: the report of job {number}{mark}")


_MAX_REPORT_BYTES = 64 * 2**20


def verify(options: argparse.Namespace, say: Say) -> bool:
    """Say what in a report was changed since it was written; returns whether nothing was."""
    path: Path = options.file
    data = _read_report(path)
    try:
        changed, sealed = _changes(data)
        of_book = _since_book(sealed, options.book or default_path())
    except UnicodeDecodeError:
        raise UsageFault(f"verify “{path}”: it is no report; name one as HTML or PDF") from None
    except CodingError as fault:
        raise UsageFault(f"verify “{path}”: {fault}") from None
    for each in changed:
        say(f"changed: {each}")
    for each in of_book or ():
        say(f"not as in the book: {each}")
    if (remark := age_words(sealed)) and changed:
        say(remark)
    if not changed:
        say(f"{path}: nothing printed was changed since it was written")
    if of_book == ():
        say("its record is that of the book")
    if of_book is None:
        say("the book does not have this job: it was compared with its own record alone")
    say("This proves whether it was changed, not who wrote it.")
    return not changed and not of_book


def _read_report(path: Path) -> bytes:
    """Read a file that is said to be a report.

    Raises
    ------
    UsageFault
        When it cannot be one, or not be read.
    """
    try:
        if why := why_unreadable(path, _MAX_REPORT_BYTES):
            raise UsageFault(f"verify “{path}”: {why}; name a report")
        return path.read_bytes()
    except OSError as fault:
        raise UsageFault(f"verify “{path}”: it cannot be read: {fault.strerror}") from None


def _changes(data: bytes) -> tuple[list[str], Sealed]:
    if not data.startswith(b"%PDF"):
        return changes_in_page(data.decode("utf-8"))
    try:
        return changes_in_sheets(data)
    except ImportError as missing:
        raise UsageFault(f"to verify a PDF needs Qt ({missing}); verify FILE.html") from None


def _since_book(found: Sealed, path: Path) -> tuple[str, ...] | None:
    """Return what differs from the book, None where it does not have the job."""
    if not path.exists():
        return None
    with Book(path, to_read=True) as book:
        if book.drive(found.drive.identity) is None:
            return None
        past = {job.number: job for job in book.history(found.drive.identity)}
        job = past.get(found.number)
        if job is None or job.opened_at != found.head.opened_at:
            return None
        return tuple(changes_since_book(found, book.job(found.number)))


def write_report(
    record: JobRecord,
    history: Sequence[JobSummary],
    out: Path,
    paper: str = "a4",
    *,
    overwrite: bool = False,
    unit: Unit = Unit.UM,
    language: str = ENGLISH,
) -> None:
    """Write a job's report as HTML or PDF, by the ending of `out`; it appears once it is whole.

    Parameters
    ----------
    record, history : JobRecord, sequence of JobSummary
        The job; all jobs of its drive.
    out : pathlib.Path
        Ends in ``.html`` or ``.pdf``.
    paper : str
        ``"a4"`` or ``"letter"``, of a PDF.
    overwrite : bool
        Replace what has that name.
    unit : Unit
        In which it shows lengths.
    language : str
        Code of the language that it is in.

    Raises
    ------
    UsageFault
        When it cannot be written; the message says why, and what to do.
    """
    check_out(out, overwrite)
    report = report_of(record, history, unit, language)
    try:
        if out.suffix.lower() == ".html":
            write_page(report, out)
        else:
            _write_pdf(report, out, paper)
    except OSError as fault:
        why = fault.strerror or fault
        raise UsageFault(f"report “{out}”: {why}; choose another place") from None


def check_out(out: Path, overwrite: bool, book: Path | None = None) -> None:
    """Refuse a name under which no report can be written, before any work is done.

    Parameters
    ----------
    out : Path
        Where the report is to be.
    overwrite : bool
        Whether it may replace what has that name.
    book : Path, optional
        The book, which it may not replace.

    Raises
    ------
    UsageFault
        When its ending, its folder or what has that name already is in the way.
    """
    if out.suffix.lower() not in _ENDINGS:
        raise UsageFault(f"report “{out}”: its ending is not known; end it in .html or .pdf")
    try:
        has_folder, is_folder, exists = out.parent.is_dir(), out.is_dir(), out.exists()
        is_mine = os.access(out.parent, os.W_OK)
        is_book = book is not None and is_of_book(out, book)
    except OSError as fault:
        why = f"{fault.strerror or fault}; choose another place"
        raise UsageFault(f"report “{shown(str(out))}”: {why}") from None
    for is_so, why in (
        (not has_folder, "its folder is not there; make it, or name another"),
        (not is_mine, "its folder is not yours to write to; choose another"),
        (is_folder, "this is a folder; choose another name"),
        (is_book, "this is the book itself; choose another name"),
        (exists and not overwrite, "it exists already; choose another name, or say --overwrite"),
    ):
        if is_so:
            raise UsageFault(f"report “{out}”: {why}")


def _number(past: Sequence[JobSummary], identity: str, wanted: int | None, path: Path) -> int:
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


def _write_pdf(report: Report, out: Path, paper: str) -> None:
    try:
        # Imported here: Qt takes half a second, and may lack libraries that nothing else needs.
        from app.report.pdf import PrintFault, write_pdf
    except ImportError as missing:
        why = f"a PDF needs Qt ({missing}); write FILE.html instead, and print that"
        raise UsageFault(f"report “{out}”: {why}") from None
    try:
        write_pdf(report, out, paper)
    except PrintFault as fault:
        raise UsageFault(f"report “{out}”: {fault}") from None
