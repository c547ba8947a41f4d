"""Tells whether what a report prints was changed since it was written."""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from difflib import SequenceMatcher
from html.parser import HTMLParser
from itertools import zip_longest

from app.book import codec
from app.book.model import CodingError, JobRecord
from app.report.blocks import Report
from app.report.content import report_of
from app.report.html import page_of
from app.report.seal import Sealed, opened, out_of_page, out_of_sheets, without_arrays
from app.stamp import version

_MOST = 12
_PARTS = ("drive", "head", "entries", "outcomes", "closed_at", "closing_reason", "nudges")
_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\n?endstream", re.DOTALL)
_MOST_BYTES = 16 * 2**20
_OPERATORS = b" Tf"
"""Sets a font: what has it draws text (ISO 32000-1, 9.3)."""
_BESIDE = (
    "its pages are drawn as its record gives them, but fonts, notes or other things in the file "
    "are not: something may lie over them; another computer's fonts do that too"
)
_OF_WRITING = re.compile(
    rb"D:\d{14}[-+Z\d']*|\d{4}-\d\d-\d\dT[-+:Z\d]+|uuid:[-\da-f]+|/ID \[ <\w+> <\w+> \]"
    rb"|\d{10} \d{5} [nf]|(?<=startxref\n)\d+|/Length \d+|(?<= 0 obj\n)\d+(?=\s+endobj)"
    rb"|Qt [\d.]+"
)
"""What of a PDF is of when and by what it was written: times, names of the file, and where in it an
object begins and how long it is packed (ISO 32000-1, 7.3.8.2, 7.5.4 and 14.4)."""


def changes_in_page(page: str) -> tuple[list[str], Sealed]:
    """Return what in a page of HTML is not as its record gives it, and the record.

    Raises
    ------
    CodingError
        When it holds no record, or a damaged one.
    """
    shown, text = out_of_page(page)
    found = _opened(text)
    wanted = page_of(_anew(found))
    if shown == wanted:
        return [], found
    differing = _words_changed(_words(shown), _words(wanted))
    return differing or ["the page is laid out or drawn otherwise than its record gives it"], found


def changes_in_sheets(data: bytes) -> tuple[list[str], Sealed]:
    """Return what in a PDF is not as its record gives it, and the record.

    Raises
    ------
    CodingError
        When it holds no record, or a damaged one.
    PrintFault
        When Qt cannot draw.
    """
    # Imported here: Qt takes half a second.
    from app.report.pdf import PAPERS, drawn

    shown, text = out_of_sheets(data)
    found = _opened(text)
    report = _anew(found)
    pages = _pages(shown)
    best: list[str] | None = None
    for paper in PAPERS:
        wanted = drawn(report, paper)[0]
        pairs = list(zip_longest(pages, _pages(wanted)))
        told = [
            f"page {number} is not as its record gives it"
            for number, (one, other) in enumerate(pairs, 1)
            if one != other
        ]
        if not told and _unpacked(shown) != _unpacked(wanted):
            told = [_BESIDE]
        best = told if best is None or len(told) < len(best) else best
    return best or [], found


def changes_since_book(found: Sealed, kept: JobRecord) -> list[str]:
    """Return what in a report's record is not as the book has it."""
    record = found.record
    same = without_arrays(kept)
    said = []
    for name in _PARTS:
        if codec.as_tree(getattr(record, name)) != codec.as_tree(getattr(same, name)):
            said.append(f"{name.replace('_', ' ')}: the book has it otherwise")
    return said


def age_words(found: Sealed) -> str:
    """Return a remark where another version of the program wrote the report, else nothing."""
    if found.software == version():
        return ""
    return (
        f"it was written by Evenlobe {found.software}, and this is {version()}: what they print "
        "may differ; use that version where something is told"
    )


def _anew(found: Sealed) -> Report:
    """Return the report of a record as it was written."""
    return report_of(found.record, found.history, found.unit, found.language)


def _opened(text: str) -> Sealed:
    if not text:
        raise CodingError("it holds no record: an older Evenlobe wrote it, or it was taken out")
    return opened(text)


class _Text(HTMLParser):
    """The words of a page, drawings' words among them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_data(self, data: str) -> None:
        """Take a text."""
        self.words += data.split()


def _words(page: str) -> list[str]:
    return _Text(page).words


def _words_changed(shown: Sequence[str], wanted: Sequence[str]) -> list[str]:
    # Where both begin or end alike there is nothing to look for, which takes long.
    first = _alike(shown, wanted)
    before = " ".join(shown[max(0, first - 4) : first])
    shown, wanted = shown[first:], wanted[first:]
    last = _alike(shown[::-1], wanted[::-1])
    shown, wanted = shown[: len(shown) - last], wanted[: len(wanted) - last]
    said = []
    for tag, a, b, c, d in SequenceMatcher(None, shown, wanted, autojunk=False).get_opcodes():
        if tag != "equal":
            stands, given = " ".join(shown[a:b]), " ".join(wanted[c:d])
            after = " ".join(shown[max(0, a - 4) : a]) or before
            said.append(f"after “{after}” stands “{stands}”, and its record gives “{given}”")
    more = len(said) - _MOST
    return [*said[:_MOST], *([f"and {more} more"] if more > 0 else [])]


def _alike(one: Sequence[str], other: Sequence[str]) -> int:
    """Return how many words both begin with."""
    pairs = enumerate(zip(one, other, strict=False))
    return next((at for at, (a, b) in pairs if a != b), min(len(one), len(other)))


def _pages(data: bytes) -> list[bytes]:
    """Return what draws each page of a PDF, without the names of its resources."""
    every = (_content(packed) for packed in _STREAM.findall(data))
    return [content for content in every if _OPERATORS in content and b"BT" in content]


def _unpacked(data: bytes) -> bytes:
    """Return all of a PDF, its streams unpacked, but for what only tells of its writing."""
    return _OF_WRITING.sub(b"", _STREAM.sub(lambda found: _content(found[1]), data))


def _content(packed: bytes) -> bytes:
    """Return what a stream holds; as it stands where it is not packed."""
    try:
        return zlib.decompressobj().decompress(packed, _MOST_BYTES)
    except zlib.error:
        return packed
