"""A report's file holds the record that it was made from, so that a change of its print shows.

The record is rendered anew and compared with the file. That tells whether something was changed; it
does not tell who wrote it: whoever changes the record as well and prints it again leaves no trace,
unless the book is there to compare with.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from app.analysis.results import LATER
from app.book import codec
from app.book.exchange import entries_of, entry_tree
from app.book.model import CodingError, Drive, JobRecord, JobSummary
from app.book.store import shown
from app.job.model import CheckName, JobHead, Outcome
from app.language import ENGLISH, languages
from app.numbers import Unit
from app.stamp import version

_NAME = "evenlobe-record"
_MAX_BYTES = 64 * 2**20
_IN_PAGE = re.compile(rf"<!-- {_NAME} ([A-Za-z0-9+/=]+) -->\n")
_IN_SHEETS = re.compile(rf"(?:% {_NAME} [A-Za-z0-9+/=]+\n)+".encode())
_COLUMNS = 2000


@dataclass(frozen=True, slots=True)
class Sealed:
    """What a report was made from.

    Attributes
    ----------
    software : str
        Version of the program that wrote the report.
    history : tuple of JobSummary
        The drive's jobs, as the report was given them.
    unit : Unit
        In which it shows lengths.
    language : str
        Code of the language that it is in.
    """

    software: str
    number: int
    drive: Drive
    head: JobHead
    takings: tuple[Any, ...]
    outcomes: tuple[Outcome, ...]
    closed_at: str
    closing_reason: str
    nudges: int
    history: tuple[JobSummary, ...]
    unit: Unit = field(default=Unit.UM, metadata=LATER)
    language: str = field(default=ENGLISH, metadata=LATER)

    @property
    def record(self) -> JobRecord:
        """The job.

        Raises
        ------
        CodingError
            When a measurement in it is none.
        """
        return JobRecord(
            self.number,
            self.drive,
            self.head,
            entries_of(self.takings, "record"),
            self.outcomes,
            self.closed_at,
            self.closing_reason,
            self.nudges,
        )


def sealed(
    record: JobRecord, history: Sequence[JobSummary], unit: Unit, language: str = ENGLISH
) -> str:
    """Return a job and its drive's history as one text of letters and figures."""
    found = Sealed(
        version(),
        record.number,
        record.drive,
        record.head,
        tuple(map(entry_tree, without_arrays(record).entries)),
        record.outcomes,
        record.closed_at,
        record.closing_reason,
        record.nudges,
        tuple(history),
        unit,
        language,
    )
    text = json.dumps(codec.as_tree(found))
    return base64.b64encode(zlib.compress(text.encode("ascii"), 9)).decode("ascii")


def without_arrays(record: JobRecord) -> JobRecord:
    """Return a record without the turns that no report draws."""
    entries = tuple(
        each if each.check is CheckName.RADIAL else replace(each, turns=None, envelope_v=None)
        for each in record.entries
    )
    return replace(record, entries=entries)


def opened(text: str) -> Sealed:
    """Read what :func:`sealed` has written.

    Raises
    ------
    CodingError
        When it is none, or damaged, or of a report in a language that is not known here.
    """
    try:
        unpacker = zlib.decompressobj()
        raw = unpacker.decompress(base64.b64decode(text, validate=True), _MAX_BYTES)
        if not unpacker.eof:
            raise ValueError
        tree = codec.tree_of(raw.decode("ascii"))
    except (binascii.Error, zlib.error, ValueError):
        raise CodingError("its record is damaged") from None
    found = codec.read(Sealed, tree, "record")
    if found.language not in languages():
        named = shown(found.language)
        raise CodingError(f"it is in the language “{named}”, which is not known here")
    return found


def into_page(page: str, text: str) -> str:
    """Return a page of HTML with a record in it, which no browser shows."""
    head, end = page.rsplit("</html>", 1)
    return f"{head}<!-- {_NAME} {text} -->\n</html>{end}"


def out_of_page(page: str) -> tuple[str, str]:
    """Return a page without its record, and the record; empty where it has none."""
    found = _IN_PAGE.search(page)
    if found is None:
        return page, ""
    return page[: found.start()] + page[found.end() :], found[1]


def into_sheets(data: bytes, text: str) -> bytes:
    """Return a PDF with a record in it, as comments (ISO 32000-1, 7.2.3) in its trailer."""
    place = data.rindex(b"startxref")
    rows = (text[at : at + _COLUMNS] for at in range(0, len(text), _COLUMNS))
    lines = "".join(f"% {_NAME} {row}\n" for row in rows).encode("ascii")
    return data[:place] + lines + data[place:]


def out_of_sheets(data: bytes) -> tuple[bytes, str]:
    """Return a PDF without its record, and the record; empty where it has none."""
    found = _IN_SHEETS.search(data)
    if found is None:
        return data, ""
    rows = re.findall(rb" ([A-Za-z0-9+/=]+)\n", found[0])
    return data[: found.start()] + data[found.end() :], b"".join(rows).decode("ascii")
