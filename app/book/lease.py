"""The right to go on with a job, which one window or program has at a time."""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

from app.book.model import RefusedError, as_book_error


class JobLease:
    """Holds a job of a book for one writer, until :meth:`end` or the end of the program.

    It is SQLite's own lock, which every system releases however a program ends, on an empty file
    beside the book.

    Raises
    ------
    RefusedError
        When another has it.
    BookError
        When the file cannot be made.
    """

    def __init__(self, book: Path, number: int) -> None:
        self._path = book.with_name(f"{book.name}-job-{number}")
        with as_book_error(str(book)):
            while True:
                # Taken where a job is resumed, ended where its writer ends.
                self._db = sqlite3.connect(self._path, timeout=0.0, check_same_thread=False)
                try:
                    self._db.execute("BEGIN EXCLUSIVE")
                except sqlite3.OperationalError as fault:
                    self._db.close()
                    if fault.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                        raise
                    raise RefusedError(
                        f"job {number} is being worked on in another window or program; end it "
                        "there, or go on there"
                    ) from None
                # The one before may have removed the file between our two calls.
                if self._path.exists():
                    break
                self._db.close()

    def end(self) -> None:
        """Give it back; may be called again."""
        with suppress(OSError):  # a system that keeps open files from being removed
            os.unlink(self._path)
        self._db.close()
