"""The book as text for others, and back: JSON without loss, CSV for a spreadsheet."""

from __future__ import annotations

import base64
import binascii
import csv
import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

from app.book import codec
from app.book.model import BookError, CodingError, Drive, JobRecord, RefusedError
from app.book.store import Book
from app.files import atomic_write, folder_for
from app.job.model import JobHead, Outcome, Value
from app.job.plan import JobStanding

CSV_NAMES = ("drives.csv", "jobs.csv", "outcomes.csv", "values.csv")
"""What an export as CSV writes into its folder."""
SCHEMA = "evenlobe.book/2"
_FIRST_SCHEMA = "evenlobe.book/1"
"""The same, but for how an open job stands."""
_MOST_BYTES = 2**30
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def export_json(book: Book, path: Path) -> int:
    """Write everything to one JSON file, and return the number of jobs.

    Raises
    ------
    BookError
        When it cannot be written.
    """
    numbers = book.numbers()
    with _writing(path) as out:
        out.write('{"schema": ' + json.dumps(SCHEMA) + ',\n"drives": [\n')
        _write_rows(out, (codec.as_tree(each.drive) for each in book.drives()))
        out.write('],\n"jobs": [\n')
        _write_rows(out, (_job_tree(book, number) for number in numbers))
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
        if path.stat().st_size > _MOST_BYTES:
            raise BookError(f"import “{path}”: it is larger than 1 GiB, which no export is")
        text = path.read_text(encoding="utf-8")
    except OSError as fault:
        raise BookError(f"import “{path}”: it cannot be read: {fault.strerror}") from None
    except UnicodeDecodeError:
        raise BookError(f"import “{path}”: it is not UTF-8; give a file of “export”") from None
    with book.whole():
        try:
            return _add_all(book, codec.tree_of(text))
        except (CodingError, RefusedError) as fault:
            raise BookError(f"import “{path}”: {fault}; nothing was added") from None


def export_csv(book: Book, folder: Path) -> int:
    """Write drives, jobs, outcomes and values as CSV files into a folder; returns the jobs.

    Raises
    ------
    BookError
        When they cannot be written.
    """
    jobs = [book.job(number) for number in book.numbers()]
    drives = [shelved.drive for shelved in book.drives()]
    tables: tuple[tuple[Sequence[str], Iterable[tuple[object, ...]]], ...] = (
        (
            ("identity", "profile", "note", "added_at"),
            ((each.identity, each.profile, each.note, each.added_at) for each in drives),
        ),
        (_JOB_COLUMNS, (_job_row(job) for job in jobs)),
        (
            _OUTCOME_COLUMNS,
            (_outcome_row(job.number, outcome) for job in jobs for outcome in job.outcomes),
        ),
        (_VALUE_COLUMNS, (row for job in jobs for row in _value_rows(job))),
    )
    # None takes its place before all are whole.
    with ExitStack() as files:
        for name, (columns, rows) in zip(CSV_NAMES, tables, strict=True):
            writer = csv.writer(files.enter_context(_writing(folder / name, newline="")))
            writer.writerow(columns)
            writer.writerows([_cell(each) for each in row] for row in rows)
    return len(jobs)


def _job_tree(book: Book, number: int) -> dict[str, Any]:
    job = book.job(number)
    return {
        "uid": book.uid(number),
        "drive": job.drive.identity,
        "head": codec.as_tree(job.head),
        "takings": [
            {
                **json.loads(codec.entry_text(entry)),
                "arrays": [
                    _encoded(codec.packed(each)) for each in (entry.turns, entry.envelope_v)
                ],
            }
            for entry in job.entries
        ],
        "outcomes": codec.as_tree(job.outcomes),
        "standing": codec.as_tree(book.standing(number)),
        "closed_at": job.closed_at,
        "closing_reason": job.closing_reason,
        "nudges": job.nudges,
    }


def _encoded(data: bytes | None) -> str | None:
    return None if data is None else base64.b64encode(data).decode("ascii")


def _add_all(book: Book, tree: object) -> tuple[int, int]:
    whole = codec.Reader(tree, "file")
    schema = whole.take("schema")
    if schema not in (SCHEMA, _FIRST_SCHEMA):
        raise CodingError(f"file.schema is not “{SCHEMA}”")
    drives = jobs = 0
    for place, each in whole.rows("drives"):
        drive = codec.read(Drive, each, place)
        if book.drive(drive.identity) is None:
            book.add_drive(drive)
            drives += 1
    for place, each in whole.rows("jobs"):
        try:
            if schema == _FIRST_SCHEMA and isinstance(each, dict):
                each.setdefault("standing", None)
            jobs += _add_job(book, codec.Reader(each, place), place)
        except RefusedError as fault:
            raise CodingError(f"{place}: {fault}") from None
    whole.end()
    return drives, jobs


def _add_job(book: Book, reader: codec.Reader, where: str) -> bool:
    uid, identity = reader.typed("uid", str), reader.typed("drive", str)
    if not uid or book.has_job(uid):
        return False
    head = reader.typed("head", JobHead)
    _check_time(head.opened_at, f"{where}.head.opened_at")
    number = book.open_job(identity, head, uid)
    for place, each in reader.rows("takings"):
        if not isinstance(each, dict):
            raise CodingError(f"{place} is not an object")
        arrays = each.pop("arrays", None)
        if not isinstance(arrays, list) or len(arrays) != 2:
            raise CodingError(f"{place}.arrays is not a list of two")
        turns, envelope = (
            codec.unpacked(_decoded(text, place), f"{place}.arrays") for text in arrays
        )
        book.add_entry(number, codec.entry_of(each, place, turns, envelope))
    for place, each in reader.rows("outcomes"):
        book.add_outcome(number, codec.read(Outcome, each, place))
    standing = reader.take("standing")
    if standing is not None:
        place = reader.place("standing")
        book.keep_standing(number, codec.read(JobStanding, standing, place))
    closed_at, reason = reader.typed("closed_at", str), reader.typed("closing_reason", str)
    nudges = reader.typed("nudges", int)
    reader.end()
    if closed_at:
        _check_time(closed_at, f"{where}.closed_at")
        book.close_job(number, closed_at, nudges, reason)
    return True


def _check_time(text: str, where: str) -> None:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise CodingError(f"{where} is not a time as ISO 8601 has it") from None


def _decoded(text: object, where: str) -> bytes | None:
    if text is None:
        return None
    try:
        return base64.b64decode(text if isinstance(text, str) else b"!", validate=True)
    except (binascii.Error, ValueError):
        raise CodingError(f"{where}.arrays is not base64") from None


def _write_rows(out: TextIO, rows: Iterable[Any]) -> None:
    for place, row in enumerate(rows):
        out.write((",\n" if place else "") + json.dumps(row, ensure_ascii=False, allow_nan=False))
    out.write("\n")


_JOB_COLUMNS = (
    "job", "drive", "opened_at", "closed_at", "closing_reason", "source", "virtual", "software",
    "profile", "nudges", "found_offset_um", "found_offset_u_um", "found_hysteresis_um",
    "found_speed_rpm", "left_offset_um", "left_offset_u_um", "left_hysteresis_um",
    "left_speed_rpm",
)  # fmt: skip


_OUTCOME_COLUMNS = (
    "job", "stage", "check", "side", "value", "u", "unit", "verdict", "limit_low", "limit_high",
    "limit_source", "reason", "ended_at",
)  # fmt: skip
_VALUE_COLUMNS = (
    "job", "stage", "check", "side", "taking", "taken_at", "track", "name", "value", "u", "unit",
)  # fmt: skip


def _job_row(job: JobRecord) -> tuple[object, ...]:
    def three(values: tuple[Value | None, ...]) -> list[object]:
        offset, hysteresis, speed = values
        return [
            offset and offset.value,
            offset and offset.u,
            hysteresis and hysteresis.value,
            speed and speed.value,
        ]

    found, left = job.as_found, job.as_left
    return (
        job.number,
        job.drive.identity,
        job.head.opened_at,
        job.closed_at,
        job.closing_reason,
        job.head.source,
        int(job.head.virtual),
        job.head.software,
        job.head.profile,
        job.nudges,
        *three((found.offset_um, found.hysteresis_um, found.speed_rpm)),
        *three((left.offset_um, left.hysteresis_um, left.speed_rpm)),
    )


def _outcome_row(number: int, outcome: Any) -> tuple[object, ...]:
    limit = outcome.limit
    return (
        number,
        outcome.stage,
        outcome.check,
        outcome.side,
        outcome.value,
        outcome.u,
        outcome.unit,
        outcome.verdict,
        limit and limit.low,
        limit and limit.high,
        limit and limit.source,
        outcome.reason,
        outcome.ended_at,
    )


def _value_rows(job: JobRecord) -> Iterator[tuple[object, ...]]:
    for entry in job.entries:
        for value in entry.values:
            yield (
                job.number,
                entry.stage,
                entry.check,
                entry.side,
                entry.label,
                entry.taken_at,
                entry.track,
                value.name,
                value.value,
                value.u,
                value.unit,
            )


def _cell(value: object) -> object:
    """Return what goes into a cell; a text that a spreadsheet would reckon out is marked."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return "" if value is None else value


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
        raise BookError(f"export “{path}”: it cannot be written: {why}") from None
