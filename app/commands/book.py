"""The commands of the job book: drives, export, import, backup."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path

from app.job.model import Value
from app.records.book import Book, shown
from app.records.bookfile import default_path
from app.records.courses import courses_of
from app.records.exchange import export_csv, export_json, import_json
from app.records.fault import BookError, told_of
from app.records.model import Past, Shelved

Say = Callable[[str], None]


def list_drives(options: argparse.Namespace, say: Say) -> None:
    """Print the drives whose identity, class or note has the search in it."""
    with _existing(options.book) as book:
        found = book.drives(options.search or "")
        past = book.history(found[0].drive.identity) if len(found) == 1 else ()
    if not found:
        say("no drive in the book" + (" has that in it" if options.search else " yet"))
        return
    rows = [("drive", "class", "jobs", "last", "offset as left"), *map(_row, found)]
    widths = _widths(rows)
    for row in rows:
        say(_line(row, widths))
    if len(found) == 1 and past:
        say("")
        _tell_history(past, say)


def export(options: argparse.Namespace, say: Say) -> None:
    """Write the whole book as JSON, or as CSV files into a folder."""
    out: Path = options.out
    as_csv = options.format == "csv"
    taken = [out / name for name in ("drives.csv", "jobs.csv")] if as_csv else [out]
    _check_free(taken, options.overwrite)
    with _existing(options.book) as book:
        jobs = export_csv(book, out) if as_csv else export_json(book, out)
    say(f"{out}: {jobs} jobs")


def import_(options: argparse.Namespace, say: Say) -> None:
    """Add what an export holds."""
    with Book(options.book) as book:
        drives, jobs = import_json(book, options.file)
    say(f"{options.file}: {drives} drives and {jobs} jobs added")


def backup(options: argparse.Namespace, say: Say) -> None:
    """Copy the book while it may be in use."""
    _check_free([options.out], options.overwrite)
    part = options.out.with_name(options.out.name + ".part")
    with _existing(options.book) as book:
        try:
            part.unlink(missing_ok=True)
            book.backup(part)
            part.replace(options.out)
        except OSError as fault:
            raise BookError(f"backup “{options.out}”: {fault.strerror}") from None
    say(f"{options.out}: the copy is whole")


def _tell_history(past: Sequence[Past], say: Say) -> None:
    """Print the jobs of one drive, and how each of its numbers goes with the months."""
    rows: list[tuple[str, ...]] = [
        ("job", "opened", "closed", "nudges", "as found", "as left", "hysteresis", "speed")
    ]
    for each in past:
        left = each.as_left
        rows.append(
            (
                str(each.number),
                each.opened_at[:16].replace("T", " "),
                "yes" if each.closed_at else "open",
                str(each.nudges),
                _words(each.as_found.offset_um, 1),
                _words(left.offset_um, 1),
                _words(left.hysteresis_um or each.as_found.hysteresis_um, 1),
                _words(left.speed_rpm or each.as_found.speed_rpm, 2),
            )
        )
    widths = _widths(rows)
    for row in rows:
        say(_line(row, widths))
    # The virtual drive's jobs and those of a real one are not of one course.
    alike = [each for each in past if each.virtual == past[-1].virtual]
    for course in courses_of(alike):
        rate = course.drift.rate_per_year
        if rate is not None:
            sure = "it drifts" if course.drift.drifts else "no drift beyond its uncertainty"
            figures = f"{rate.value:+.2f} ± {2.0 * rate.u:.2f} {course.unit} a year"
            say(f"{course.name}, adjustments taken out: {figures}; {sure}")


def _widths(rows: Sequence[Sequence[str]]) -> list[int]:
    return [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]


def _line(row: Sequence[str], widths: Sequence[int]) -> str:
    cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
    return "  ".join(cells).rstrip()


def _existing(path: Path | None) -> Book:
    """Open a book that is there; one that is asked for something is not made for that."""
    where = default_path() if path is None else path
    with told_of(str(where)):
        there = where.exists()
    if not there:
        raise BookError(f"book “{where}”: there is none; “evenlobe job” begins one")
    return Book(where)


def _check_free(paths: list[Path], overwrite: bool) -> None:
    for path in paths:
        with told_of(str(path)):
            taken = path.exists() and not overwrite
        if taken:
            raise BookError(f"“{path}” is there already; choose another name, or add --overwrite")


def _row(each: Shelved) -> tuple[str, str, str, str, str]:
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
    spread = "" if value.u is None else f" ± {2.0 * value.u:.{places}f}"
    return f"{value.value:.{places}f}{spread} {value.unit}"
