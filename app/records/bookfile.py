"""A job book's file: opened, brought up, written whole or not at all, copied, looked through."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from platformdirs import user_data_path

from app.records.fault import BookError, told_of
from app.records.schema import bring_up

_BUSY_S = 3.0


def default_path() -> Path:
    """Return where the user's book is kept."""
    return user_data_path("evenlobe", appauthor=False) / "book.sqlite3"


def folded(text: str) -> str:
    """Return a text as it is searched and sorted by; SQL knows it too."""
    return text.casefold()


class BookFile:
    """An open file.

    Parameters
    ----------
    path : Path or None
        The file; it is made with its folder where it is not there. The user's own when None.

    Raises
    ------
    BookError
        When it cannot be opened; the message says why, and what to do.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = default_path() if path is None else path
        self._where = str(self.path)
        with told_of(self._where):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
            try:
                self._prepare()
                self._opened = self._file()
            except BaseException:
                self._db.close()
                raise

    def _file(self) -> tuple[int, int] | None:
        """Return which file bears the book's name now, None where none does."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return None
        return found.st_dev, found.st_ino

    def _prepare(self) -> None:
        db = self._db
        # The first statement that reads: whatever else the file is, it is not written to.
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        bring_up(db, self._where)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        db.create_function("folded", 1, folded, deterministic=True)

    def close(self) -> None:
        """Close the file; may be called again."""
        self._db.close()

    def __enter__(self) -> Self:
        """Return the book."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    def backup(self, path: Path) -> None:
        """Copy the book, even while others write to it, and check the copy.

        Raises
        ------
        BookError
            When the copy cannot be written, or is not whole.
        """
        with told_of(str(path)):
            copy = sqlite3.connect(path)
            try:
                self._db.backup(copy)
                (found,) = copy.execute("PRAGMA integrity_check").fetchone()
            finally:
                copy.close()
        if found != "ok":
            raise BookError(f"backup “{path}”: the copy is damaged; choose another disk")

    def check(self) -> None:
        """Look through the whole file.

        Raises
        ------
        BookError
            When it is damaged.
        """
        with told_of(self._where):
            (found,) = self._db.execute("PRAGMA integrity_check").fetchone()
            wrong = self._db.execute("PRAGMA foreign_key_check").fetchone()
        if found != "ok" or wrong is not None:
            raise BookError(f"book “{self._where}”: it is damaged; go on with a backup")

    @contextmanager
    def whole(self) -> Iterator[None]:
        """Keep all that is written within, or nothing of it."""
        with self._writing():
            yield

    @contextmanager
    def _writing(self) -> Iterator[None]:
        with told_of(self._where):
            if self._db.in_transaction:
                yield
                return
            if self._file() != self._opened:
                # SQLite would write on into a file that nobody can open any more.
                raise BookError(
                    f"book “{self._where}”: its file was moved or removed while it was in use; put "
                    "it back"
                )
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """Read all that is read within as it stands at one moment, whoever writes meanwhile."""
        with told_of(self._where):
            if self._db.in_transaction:
                yield
                return
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
