"""Job books: of every version, of a museum's drives, what goes in and out, drift, calibrations."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path

from app.book.archive import archive_of
from app.book.calibrations import as_begun, calibrations_in, disks_in, newest_of, used_for
from app.book.drift import change_of, drifts_of
from app.book.exchange import export_csv, export_json, import_json
from app.book.model import BookError, Drive, JobRecord
from app.book.store import Book
from app.job.model import CheckName, Value
from app.profiles import load_profile
from tests.app.book.jobs import calibrate, filled, standing
from tests.app.book.museum import HISTORY, record
from tests.fuzz.corpora import known
from tests.fuzz.targets import ROOT, TARGETS
from tests.recorded.keeping import Net
from tests.recorded.telling import told

VERSIONS = (1, 2, 3, 4, 5, 6)
_PARTS = 4


def _folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="evenlobe-recorded-")


def _refusable(read: object) -> str:
    try:
        return told(read())  # type: ignore[operator]
    except (BookError, ValueError) as refusal:
        return f"{type(refusal).__name__}: {refusal}"


def _told(book: Book) -> Iterator[str]:
    yield told(book.drives())
    yield told(book.drives("hall 2"))
    yield told(book.insertions())
    for number in (*book.numbers(), 99):
        yield f"job {number}: {_refusable(partial(book.job, number))}"
        yield f"stands {_refusable(partial(book.standing, number))}"
        yield f"left {_refusable(partial(book.left, number))}"
    for drive in book.drives():
        past = book.history(drive.drive.identity)
        yield told(past)
        yield told(drifts_of(past))
        for virtual in (False, True):
            yield told(archive_of(book, drive.drive.identity, virtual=virtual))


def of_version(version: int) -> list[str]:
    """Tell a book of a version as it is read today."""
    with _folder() as folder:
        path = Path(folder) / "book.sqlite3"
        script = ROOT / "fixtures" / "books" / f"version-{version}.sql"
        made = sqlite3.connect(path)
        made.executescript(script.read_text(encoding="utf-8"))
        made.close()
        with Book(path) as book:
            return [line.replace(folder, "FOLDER") for line in _told(book)]


def _kept(book: Book, job: JobRecord, *, closed: bool = True) -> int:
    if book.drive(job.drive.identity) is None:
        book.add_drive(job.drive)
    number = book.open_job(job.drive.identity, job.head, f"job-{len(book.numbers())}")
    book.keep(number, *job.entries, *job.outcomes)
    if closed:
        book.close_job(number, job.closed_at, job.nudges, job.closing_reason)
    return number


def _museum(book: Book) -> None:
    first = record()
    _kept(book, first)
    for year, shift_um in ((2032, 6.0), (2033, -3.0)):
        head = replace(first.head, opened_at=f"{year}-04-12T09:40:00+02:00")
        outcomes = [
            replace(each, value=each.value + shift_um)
            if each.check is CheckName.RADIAL and each.value is not None
            else each
            for each in first.outcomes
        ]
        _kept(book, replace(first, head=head, outcomes=tuple(outcomes)))
    other = Drive("machine 9", "90mm-135tpi", "ticket printer, hall 2")
    _kept(book, replace(first, drive=other), closed=False)
    number = filled(book, 2)
    book.keep(number, standing())
    book.describe_job(number, {"customer": "the museum", "attitude": "flat"})


def museum() -> list[str]:
    """Tell a book of several drives, what is refused of it, and its exports as text."""
    with _folder() as folder, Book(Path(folder) / "book.sqlite3") as book:
        _museum(book)
        lines = list(_told(book))
        for refused in (
            lambda: book.add_drive(Drive("machine 7, upper", "130mm-48tpi")),
            lambda: book.add_drive(Drive("", "130mm-48tpi")),
            lambda: book.change_drive("nobody's", profile="130mm-48tpi", note=""),
            lambda: book.open_job("nobody's", record().head),
            lambda: book.describe_job(1, {"customer": "another"}),
            lambda: book.close_job(1, "2031-01-01T00:00:00+00:00", 1, "again"),
            lambda: book.keep(1, *record().entries[:1]),
            lambda: book.keep(77, *record().entries[:1]),
        ):
            lines.append(_refusable(refused))
        json, sheets = Path(folder) / "all.json", Path(folder) / "sheets"
        lines.append(f"exports {export_json(book, json)} {export_csv(book, sheets)}")
        for sheet in sorted(sheets.iterdir()):
            text = sheet.read_text(encoding="utf-8-sig")
            lines += [sheet.name, *(line[:400] for line in text.splitlines()[:40])]
        with Book(Path(folder) / "again.sqlite3") as again:
            lines.append(f"imports {import_json(again, json)} {import_json(again, json)}")
            again_lines = list(_told(again))
            lines.append(f"reads as before: {again_lines == lines[: len(again_lines)]}")
        return [line.replace(folder, "FOLDER") for line in lines]


def drifting() -> list[str]:
    """Tell how drives change in time, and what a job has changed."""
    lines = [told(drifts_of(HISTORY[:count])) for count in range(len(HISTORY) + 1)]
    job = record()
    for check, found, left in (
        (CheckName.RADIAL, Value("", -33.7, 2.0, "µm"), Value("", 0.6, 1.9, "µm")),
        (CheckName.SPEED, Value("", 301.2, 0.04, "rpm"), Value("", 300.0, 0.04, "rpm")),
        (CheckName.HYSTERESIS, Value("", 6.0, None, "µm"), Value("", 5.0, 0.1, "µm")),
        (CheckName.LOCK, None, Value("", 5.0, 0.1, "µm")),
    ):
        lines.append(told(change_of(found, left, job.outcomes, check)))
    expanded = [replace(each, expanded_u=2.4 * (each.u or 0.0), dof=9.0) for each in job.outcomes]
    told_twice = [*expanded, *(each for each in expanded if each.check is CheckName.CARE)]
    for outcomes in (expanded, told_twice):
        found, left = (Value("", um, 2.0, "µm") for um in (-33.7, 0.6))
        lines.append(told(change_of(found, left, outcomes, CheckName.RADIAL)))
    return lines


def calibrations() -> list[str]:
    """Tell what a book has of calibrations, and what of it a job goes by on several days."""
    profile = load_profile("130mm-48tpi")
    with _folder() as folder, Book(Path(folder) / "book.sqlite3") as book:
        filled(book, 1)
        made = partial(calibrate, book)
        made(CheckName.SCALE, 171.0, 1.2)
        made(CheckName.SCALE, 173.0, 1.0, at="2026-06-01T10:00:00.000+00:00")
        made(CheckName.ZERO, -3.0, 0.8, head=0, instrument="Scope 1")
        made(CheckName.ZERO, 4.0, 0.7, head=1)
        made(CheckName.WORKING_DISK, 2.0, 0.7, disk="AD 3")
        made(CheckName.ZERO, 9.0, 0.7, disk="AD 5", closed=False)
        made(CheckName.ZERO, 9.0, 0.7, disk="")
        made(CheckName.SCALE, 180.0, 1.0, virtual=True, disk="AD 1")
        found = calibrations_in(book)
        lines = [told(each) for each in found]
        lines += [f"{each.name} {each.words} {each.source} {each.due_on}" for each in found]
        lines += [told(newest_of(found)), told(disks_in(book))]
        for disk, instrument, virtual, day in (
            ("AD 7", "", False, date(2026, 7, 1)),
            ("AD 7", "Scope 1", False, date(2026, 7, 1)),
            (" AD 7 ", "", False, date(2027, 2, 20)),
            ("AD 7", "", False, date(2027, 3, 1)),
            ("AD 7", "", False, date(2027, 3, 2)),
            ("AD 7", "", False, date(2027, 6, 1)),
            ("AD 3", "", False, date(2026, 7, 1)),
            ("AD 9", "", False, date(2026, 7, 1)),
            ("", "", False, date(2026, 7, 1)),
            ("", "", True, date(2026, 7, 1)),
            ("AD 1", "", True, date(2026, 7, 1)),
        ):
            use = used_for(profile, found, disk, instrument, virtual=virtual, today=day)
            lines.append(f"{disk} {instrument} {virtual} {day}: {told(use.notes)}")
            changed = {
                name: getattr(use.profile, name)
                for name in profile.__dataclass_fields__
                if getattr(use.profile, name) != getattr(profile, name)
            }
            lines.append(f"  {told(changed)} {[each.state_on(day) for each in found]}")
        values = (("scale", "173 µm", found[1].source),)
        lines.append(told(as_begun(profile, found, values).scale_um))
        return lines


def imported(part: int) -> list[str]:
    """Tell what becomes of exports that were changed, every fourth of them."""
    lines = []
    with _folder() as folder, Book(Path(folder) / "book.sqlite3") as book:
        path = Path(folder) / "export.json"
        for number, data in list(enumerate(known(TARGETS["import"])))[part::_PARTS]:
            path.write_bytes(data)
            book._db.execute("BEGIN IMMEDIATE")
            try:
                lines.append(f"{number}: {_refusable(partial(import_json, book, path))}")
                lines += [f"  {told(each)}" for each in book.drives()]
            finally:
                book._db.execute("ROLLBACK")
        return [line.replace(folder, "FOLDER") for line in lines]


NET = Net(
    "books",
    {
        **{f"version {each}": partial(of_version, each) for each in VERSIONS},
        "museum": museum,
        "drifting": drifting,
        "calibrations": calibrations,
        **{f"imported, part {part}": partial(imported, part) for part in range(_PARTS)},
    },
)
