"""The book as text for others, and back: JSON without loss, CSV for a spreadsheet."""

from __future__ import annotations

import base64
import binascii
import csv
import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from app.book import codec
from app.book.model import BookError, CodingError, Drive, RefusedError
from app.book.store import Book
from app.files import atomic_write, folder_for, why_unreadable
from app.job.model import Entry, JobHead, Outcome
from app.job.plan import JobStanding, steps_of

CSV_NAMES = ("drives.csv", "jobs.csv", "outcomes.csv", "values.csv")
"""What an export as CSV writes into its folder."""
SCHEMA = "evenlobe.book/2"
_FIRST_SCHEMA = "evenlobe.book/1"
"""The same, but for how an open job stands."""
_MAX_BYTES = 2**30
_MAX_VALUES = 10_000_000
"""Each is up to a hundred bytes once it is read, however short it is in the file. A whole job has
some 7000 of them in half a megabyte."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a cell that a spreadsheet would reckon out begins with, in full width too."""


@dataclass(frozen=True, slots=True)
class _File:
    """An export as JSON, as far as it is read at once."""

    schema: Any
    drives: tuple[Drive, ...]
    jobs: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class _ExportedJob:
    """A job within an export; its entries have their two arrays with them, in base64."""

    uid: str
    drive: str
    head: JobHead
    takings: tuple[Any, ...]
    outcomes: tuple[Outcome, ...]
    standing: JobStanding | None
    closed_at: str
    closing_reason: str
    nudges: int


def export_json(book: Book, path: Path) -> int:
    """Write everything to one JSON file, and return the number of jobs.

    Raises
    ------
    BookError
        When it cannot be written.
    """
    numbers = book.numbers()
    with _writing(path) as out:
        out.write(f'{{"schema": "{SCHEMA}",\n"drives": [\n')
        _write_rows(out, (codec.as_tree(each.drive) for each in book.drives()))
        out.write('],\n"jobs": [\n')
        _write_rows(out, (codec.as_tree(_exported(book, number)) for number in numbers))
        out.write("]}\n")
    return len(numbers)


def import_json(book: Book, path: Path) -> tuple[int, int]:
    """Add what a file of :func:`export_json` holds; all of it, or nothing.

    A job that is in the book already is passed over.

    Returns
    -------
    tuple of int
        Drives and jobs added.

    Raises
    ------
    BookError
        When the file is not one, or its content cannot stand; the message names the place.
    """
    try:
        if why := why_unreadable(path, _MAX_BYTES):
            raise BookError(f"import “{path}”: {why}; give a file of “export”")
        text = path.read_text(encoding="utf-8")
    except OSError as fault:
        raise BookError(f"import “{path}”: it cannot be read: {fault.strerror}") from None
    except UnicodeDecodeError:
        raise BookError(f"import “{path}”: it is not UTF-8; give a file of “export”") from None
    if text.count(",") + text.count("[") + text.count("{") > _MAX_VALUES:
        raise BookError(f"import “{path}”: it has more values than any export of 1 GiB")
    with book.whole():
        try:
            return _add_all(book, codec.tree_of(text))
        except (CodingError, RefusedError) as fault:
            raise BookError(f"import “{path}”: {fault}; nothing was added") from None


def _exported(book: Book, number: int) -> _ExportedJob:
    job = book.job(number)
    return _ExportedJob(
        uid=book.uid(number),
        drive=job.drive.identity,
        head=job.head,
        takings=tuple(map(entry_tree, job.entries)),
        outcomes=job.outcomes,
        standing=book.standing(number),
        closed_at=job.closed_at,
        closing_reason=job.closing_reason,
        nudges=job.nudges,
    )


def _add_all(book: Book, tree: object) -> tuple[int, int]:
    file = codec.read(_File, tree, "file")
    if file.schema not in (SCHEMA, _FIRST_SCHEMA):
        raise CodingError(f"file.schema is not “{SCHEMA}”")
    new = [drive for drive in file.drives if book.drive(drive.identity) is None]
    for drive in new:
        book.add_drive(drive)
    jobs = 0
    for at, each in enumerate(file.jobs):
        place = f"file.jobs[{at}]"
        try:
            if file.schema == _FIRST_SCHEMA and isinstance(each, dict):
                each.setdefault("standing", None)
            jobs += _add_job(book, each, place)
        except RefusedError as fault:
            raise CodingError(f"{place}: {fault}") from None
    return len(new), jobs


def _add_job(book: Book, tree: object, where: str) -> bool:
    """Add a job unless it is in the book already; returns whether it was added."""
    uid = tree.get("uid") if isinstance(tree, dict) else None
    if isinstance(uid, str) and (not uid or book.has_job(uid)):
        return False
    job = codec.read(_ExportedJob, tree, where)
    _check_time(job.head.opened_at, f"{where}.head.opened_at")
    number = book.open_job(job.drive, job.head, job.uid)
    for entry in entries_of(job.takings, where):
        book.keep(number, entry)
    for outcome in job.outcomes:
        book.keep(number, outcome)
    if job.standing is not None:
        try:
            steps_of(job.standing.steps, job.outcomes)
        except ValueError as fault:
            # The job could not be gone on with.
            raise CodingError(f"{where}.standing: {fault}") from None
        book.keep(number, job.standing)
    if job.closed_at:
        _check_time(job.closed_at, f"{where}.closed_at")
        book.close_job(number, job.closed_at, job.nudges, job.closing_reason)
    return True


def entry_tree(entry: Entry) -> dict[str, Any]:
    """Return an entry as what JSON can hold, its two arrays with it in base64."""
    arrays = [*map(_encoded, (entry.turns, entry.envelope_v))]
    return codec.as_tree(entry) | {"arrays": arrays}


def entries_of(takings: Iterable[object], where: str) -> tuple[Entry, ...]:
    """Read entries as :func:`entry_tree` gives them.

    Raises
    ------
    CodingError
        When one is none; the message names the place.
    """
    unpacked = codec.Unpacking()
    return tuple(
        _entry(each, f"{where}.takings[{at}]", unpacked) for at, each in enumerate(takings)
    )


def _entry(tree: object, where: str, unpacked: codec.Unpacking) -> Entry:
    if not isinstance(tree, dict):
        raise CodingError(f"{where} is not an object")
    arrays = tree.get("arrays")
    if not isinstance(arrays, list) or len(arrays) != 2:
        raise CodingError(f"{where}.arrays is not a list of two")
    turns, envelope_v = (_decoded(text, f"{where}.arrays", unpacked) for text in arrays)
    rest = {name: value for name, value in tree.items() if name != "arrays"}
    return codec.entry_of(rest, where, turns, envelope_v)


def _check_time(text: str, where: str) -> None:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise CodingError(f"{where} is not a time as ISO 8601 has it") from None


def _encoded(values: NDArray[np.float32] | None) -> str | None:
    data = codec.packed(values)
    return None if data is None else base64.b64encode(data).decode("ascii")


def _decoded(text: object, where: str, unpacked: codec.Unpacking) -> NDArray[np.float32] | None:
    if text is None:
        return None
    try:
        data = base64.b64decode(text if isinstance(text, str) else b"!", validate=True)
    except (binascii.Error, ValueError):
        raise CodingError(f"{where} is not base64") from None
    return unpacked(data, where)


def _write_rows(out: TextIO, rows: Iterable[Any]) -> None:
    for place, row in enumerate(rows):
        out.write((",\n" if place else "") + json.dumps(row, ensure_ascii=False, allow_nan=False))
    out.write("\n")


_DRIVE_COLUMNS = {name: name for name in ("identity", "profile", "note", "added_at")}
_JOB_COLUMNS = {
    "job": "number",
    "drive": "drive.identity",
    "opened_at": "head.opened_at",
    "closed_at": "closed_at",
    "closing_reason": "closing_reason",
    "source": "head.source",
    "virtual": "head.virtual",
    "software": "head.software",
    "profile": "head.profile",
    "nudges": "nudges",
    "found_offset_um": "summary.as_found.offset_um.value",
    "found_offset_u_um": "summary.as_found.offset_um.u",
    "found_hysteresis_um": "summary.as_found.hysteresis_um.value",
    "found_speed_rpm": "summary.as_found.speed_rpm.value",
    "left_offset_um": "summary.as_left.offset_um.value",
    "left_offset_u_um": "summary.as_left.offset_um.u",
    "left_hysteresis_um": "summary.as_left.hysteresis_um.value",
    "left_speed_rpm": "summary.as_left.speed_rpm.value",
}
_OUTCOME_COLUMNS = {
    **{name: name for name in ("stage", "check", "side", "value", "u", "unit", "verdict")},
    **{name: name for name in ("expanded_u", "dof", "conformity", "aim")},
    "limit_low": "limit.low",
    "limit_high": "limit.high",
    "limit_source": "limit.source",
    **{name: name for name in ("reason", "ended_at")},
}
_ENTRY_COLUMNS = {
    "stage": "stage",
    "check": "check",
    "side": "side",
    "taking": "label",
    "taken_at": "taken_at",
    "track": "track",
}
_VALUE_COLUMNS = {name: name for name in ("name", "value", "u", "unit")}
"""The columns of each table, and where in a record what stands in them is found."""


def export_csv(book: Book, folder: Path) -> int:
    """Write drives, jobs, outcomes and values as CSV files into a folder; returns the jobs.

    Raises
    ------
    BookError
        When they cannot be written.
    """
    numbers = book.numbers()
    headings = (
        _DRIVE_COLUMNS,
        _JOB_COLUMNS,
        ("job", *_OUTCOME_COLUMNS),
        ("job", *_ENTRY_COLUMNS, *_VALUE_COLUMNS),
    )
    # None takes its place before all are whole.
    with ExitStack() as files:
        writers = [
            csv.writer(files.enter_context(_writing(folder / name, newline="")))
            for name in CSV_NAMES
        ]
        for writer, columns in zip(writers, headings, strict=True):
            writer.writerow(columns)
        drives, jobs, outcomes, values = writers
        drives.writerows(_cells(each.drive, _DRIVE_COLUMNS) for each in book.drives())
        # One at a time: all jobs of a book with their envelopes are more than a memory holds.
        for job in map(book.job, numbers):
            jobs.writerow(_cells(job, _JOB_COLUMNS))
            outcomes.writerows(
                (job.number, *_cells(each, _OUTCOME_COLUMNS)) for each in job.outcomes
            )
            values.writerows(
                (job.number, *_cells(entry, _ENTRY_COLUMNS), *_cells(value, _VALUE_COLUMNS))
                for entry in job.entries
                for value in entry.values
            )
    return len(numbers)


def _cells(record: object, columns: Mapping[str, str]) -> Iterator[object]:
    """Yield what goes into a row's cells; a text that a spreadsheet would reckon out is marked."""
    for path in columns.values():
        value: object = record
        for name in path.split("."):
            value = None if value is None else getattr(value, name)
        if isinstance(value, bool):
            yield int(value)
        elif isinstance(value, str) and value.startswith(_FORMULA):
            yield "'" + value
        else:
            yield "" if value is None else value


@contextmanager
def _writing(path: Path, newline: str | None = None) -> Iterator[TextIO]:
    """Open a text file that appears under its name when it is whole.

    Raises
    ------
    BookError
        When it cannot be written.
    """
    try:
        with (
            folder_for(path),
            atomic_write(path) as part,
            part.open("w", encoding="utf-8", newline=newline) as out,
        ):
            yield out
    except OSError as fault:
        why = fault.strerror or str(fault)
        raise BookError(
            f"export “{path}”: it cannot be written: {why}; name another place"
        ) from None
