"""The right to go on with a job, which one window or program has at a time."""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import suppress
from pathlib import Path

from app.book.model import RefusedError, as_book_error


class JobLease:
    """Holds a job of a book for one writer, until :meth:`end` or the end of the program.

    It is SQLite's own lock, which every system releases however a program ends, on an empty file
    beside the book, by whatever links that was named.

    Raises
    ------
    RefusedError
        When another has it, or a file of that name is no lock.
    BookError
        When the file cannot be made.
    """

    def __init__(self, book: Path, number: int) -> None:
        book = Path(os.path.realpath(book))
        self._path = book.with_name(f"{book.name}-job-{number}")
        with as_book_error(str(book)):
            while True:
                self._claim(number)
                try:
                    self._db = self._locked()
                except sqlite3.OperationalError as fault:
                    if fault.sqlite_errorcode == sqlite3.SQLITE_BUSY:
                        raise RefusedError(
                            f"job {number} is being worked on in another window or program; end it "
                            "there, or go on there"
                        ) from None
                    if self._path.exists():
                        raise
                    continue
                # The one before may have removed the file between our two calls.
                if self._path.exists():
                    break
                self._db.close()

    def _locked(self) -> sqlite3.Connection:
        where = f"{self._path.as_uri()}?mode=rw"
        # Taken where a job is resumed, ended where its writer ends.
        db = sqlite3.connect(where, timeout=0.0, check_same_thread=False, uri=True)
        try:
            db.execute("BEGIN EXCLUSIVE")
        except BaseException:
            db.close()
            raise
        return db

    def _claim(self, number: int) -> None:
        """Make the file, for its maker alone; what has its name and is no lock is left alone."""
        with suppress(FileExistsError):
            os.close(os.open(self._path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        with suppress(FileNotFoundError):
            found = self._path.lstat()
            if not stat.S_ISREG(found.st_mode) or found.st_size:
                raise RefusedError(
                    f"“{self._path}” has the name that job {number} needs for its lock; give it "
                    "another"
                )

    def end(self) -> None:
        """Give it back; may be called again."""
        with suppress(OSError):  # a system that keeps open files from being removed
            os.unlink(self._path)
        self._db.close()
