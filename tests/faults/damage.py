"""Damaged books: what a disk makes of a file, and what each command answers."""

from __future__ import annotations

import contextlib
import io
import json
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from app.book.exchange import export_json
from app.book.store import Book
from app.cli.main import BAD_INPUT, OK, run
from tests.app.book.jobs import DRIVE, filled, standing

Spoil = Callable[[bytearray, np.random.Generator], None]
_PAGE = 4096


def _flip(data: bytearray, rng: np.random.Generator) -> None:
    """One bit."""
    data[int(rng.integers(len(data)))] ^= 1 << int(rng.integers(8))


def _flips(data: bytearray, rng: np.random.Generator) -> None:
    """Some bits, anywhere."""
    for _ in range(int(rng.integers(2, 50))):
        _flip(data, rng)


def _zeros(data: bytearray, rng: np.random.Generator) -> None:
    """A page of nothing."""
    data[_a_page(data, rng)] = bytes(_PAGE)


def _noise(data: bytearray, rng: np.random.Generator) -> None:
    """A page of anything."""
    data[_a_page(data, rng)] = rng.integers(0, 256, _PAGE, np.uint8).tobytes()


def _swapped(data: bytearray, rng: np.random.Generator) -> None:
    """Two pages in each other's place."""
    one, other = _a_page(data, rng), _a_page(data, rng)
    data[one], data[other] = data[other], data[one]


def _torn(data: bytearray, rng: np.random.Generator) -> None:
    """The end is missing."""
    del data[int(rng.integers(len(data))) :]


def _a_page(data: bytearray, rng: np.random.Generator) -> slice:
    start = _PAGE * int(rng.integers(len(data) // _PAGE))
    return slice(start, start + _PAGE)


SPOILS: tuple[Spoil, ...] = (_flip, _flips, _zeros, _noise, _swapped, _torn)


def commands(book: Path, backup: Path, out: Path) -> list[list[str]]:
    """Return a command line for each that has to do with a book."""
    of_drive = ["--drive", DRIVE.identity, "--book", str(book)]
    return [
        ["drives", "--book", str(book)],
        ["drives", "Nordtor", "--book", str(book)],
        ["describe", "customer=hall 4", *of_drive],
        ["report", "--out", str(out / "report.html"), *of_drive],
        ["export", "--out", str(out / "book.json"), "--book", str(book)],
        ["export", "--format", "csv", "--out", str(out / "tables"), "--book", str(book)],
        ["backup", str(out / "copy.sqlite3"), "--book", str(book)],
        ["restore", str(book), "--book", str(out / "other.sqlite3")],
        ["import", str(backup), "--book", str(book)],
    ]


@dataclass(frozen=True, slots=True)
class Whole:
    """A book as it was: its file, and what it held."""

    data: bytes
    jobs: object
    exported: Path


def whole(folder: Path) -> Whole:
    """Make a book in a folder."""
    path, exported = folder / "whole.sqlite3", folder / "whole.json"
    with Book(path) as book:
        number = filled(book, 6)
        book.keep(number, standing())
        export_json(book, exported)
    return Whole(path.read_bytes(), _held(exported), exported)


def answered(made: Whole, rng: np.random.Generator, folder: Path) -> list[str]:
    """Damage a book, ask everything of it, and return what was answered wrongly."""
    data = bytearray(made.data)
    spoil = SPOILS[int(rng.integers(len(SPOILS)))]
    spoil(data, rng)
    said: list[str] = []
    for number, words in enumerate(commands(folder / "book", made.exported, folder / "out")):
        where = folder / str(number)
        where.mkdir()
        words = [each.replace(str(folder / "out"), str(where)) for each in words]
        (folder / "book").write_bytes(data)
        said += [f"{spoil.__name__}: {words[0]}: {each}" for each in _wrong(words)]
        said += _told(where / "book.json", made)
        for each in folder.glob("book-*"):
            each.unlink()
    return said


def _wrong(words: Sequence[str]) -> list[str]:
    """Run a command; returns what is wrong with its answer."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = run(list(words))
    except BaseException:
        return [traceback.format_exc(limit=-3)]
    if status == OK:
        return []
    lines = err.getvalue().splitlines()
    if status != BAD_INPUT or len(lines) != 1 or "fault in Evenlobe" in lines[0]:
        return [f"{status}: {err.getvalue()[:300]}"]
    return []


def _told(exported: Path, made: Whole) -> list[str]:
    """Compare what was exported, if anything was, with what was kept."""
    if not exported.exists() or _held(exported) == made.jobs:
        return []
    return ["a record that is not as it was kept was given out"]


def _held(exported: Path) -> object:
    return json.loads(exported.read_text("utf-8"))
