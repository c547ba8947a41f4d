"""What can go wrong with a job book, said in one sentence."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager


class BookError(Exception):
    """The book cannot be used as asked; the message names it and the mend."""


class RefusedError(BookError):
    """Something cannot be kept as it is; trying again would not help."""


class CodingError(Exception):
    """Something read is not what it should be; the message says where and what."""


@contextmanager
def told_of(where: str) -> Iterator[None]:
    """Turn every fault in reading or writing a book into one sentence about that at `where`.

    Raises
    ------
    BookError
        Instead of theirs.
    """
    try:
        yield
    except sqlite3.IntegrityError as fault:
        raise RefusedError(f"book “{where}”: {_sentence(fault)}") from None
    except sqlite3.Error as fault:
        raise BookError(f"book “{where}”: {_sentence(fault)}") from None
    except CodingError as fault:
        raise BookError(
            f"book “{where}”: it is damaged ({fault}); keep the file, and go on with a backup"
        ) from None
    except OSError as fault:
        raise BookError(
            f"book “{where}”: {fault.strerror or fault}; choose another place"
        ) from None


def _sentence(fault: sqlite3.Error) -> str:
    name = getattr(fault, "sqlite_errorname", "") or ""
    for beginning, sentence in _SENTENCES:
        if name.startswith(beginning):
            return sentence
    return f"{fault}; check the disk, and go on with a backup if it returns"


_SENTENCES = (
    ("SQLITE_BUSY", "another window or program is writing to it; try again when that has ended"),
    ("SQLITE_LOCKED", "another window or program is writing to it; try again when that has ended"),
    ("SQLITE_READONLY", "it cannot be written to; give yourself the right to, or name another"),
    ("SQLITE_FULL", "the disk is full; make room, what was kept before stands"),
    (
        "SQLITE_CANTOPEN",
        "it cannot be opened; its folder must be there, and be yours to write to",
    ),
    ("SQLITE_NOTADB", "this is not a job book; name another with --book"),
    ("SQLITE_CORRUPT", "it is damaged; keep the file, and go on with a backup"),
    ("SQLITE_TOOBIG", "that is more text than a book takes; shorten it"),
    ("SQLITE_CONSTRAINT_TRIGGER", "what was kept stands and cannot be changed; add to it instead"),
)
