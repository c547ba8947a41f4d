"""The job book: drives, jobs and every measurement, in one SQLite file.

Tables are kept version by version; a book of an older version is brought up to date when it is
opened. What was measured is never overwritten, which triggers in the file itself see to.

Threads: a book belongs to the thread that opened it. Several threads, windows and programs may
have the same file open, each through a book of its own.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import tempfile
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Self

from platformdirs import user_data_path

from app.book import codec
from app.book.model import (
    BookError,
    CodingError,
    Drive,
    DriveSummary,
    JobRecord,
    JobSummary,
    RefusedError,
    ResumableJob,
    as_book_error,
)
from app.files import folder_for
from app.job.job import Kept
from app.job.model import DESCRIPTIONS, Entry, JobHead, Outcome, Stage, Summary
from app.job.outcomes import summary_of
from app.job.plan import JobStanding, steps_of

APPLICATION_ID = 0x45564C42
"""What marks an SQLite file as a job book: the letters EVLB."""

_FIRST = """
CREATE TABLE drives (
    id INTEGER PRIMARY KEY,
    identity TEXT NOT NULL UNIQUE,
    profile TEXT NOT NULL,
    note TEXT NOT NULL DEFAULT '',
    added_at TEXT NOT NULL
) STRICT;
CREATE TABLE jobs (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    uid TEXT NOT NULL UNIQUE,
    drive INTEGER NOT NULL REFERENCES drives (id),
    opened_at TEXT NOT NULL,
    source TEXT NOT NULL,
    virtual INTEGER NOT NULL,
    software TEXT NOT NULL,
    profile TEXT NOT NULL,
    profile_values TEXT NOT NULL,
    conditions TEXT NOT NULL,
    as_found TEXT NOT NULL DEFAULT '{}',
    as_left TEXT NOT NULL DEFAULT '{}',
    nudges INTEGER NOT NULL DEFAULT 0,
    closed_at TEXT NOT NULL DEFAULT '',
    closing_reason TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE takings (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    job INTEGER NOT NULL REFERENCES jobs (number),
    body TEXT NOT NULL,
    turns BLOB,
    envelope_v BLOB
) STRICT;
CREATE TABLE outcomes (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    job INTEGER NOT NULL REFERENCES jobs (number),
    body TEXT NOT NULL
) STRICT;
CREATE INDEX jobs_of_a_drive ON jobs (drive, number);
CREATE INDEX takings_of_a_job ON takings (job, id);
CREATE INDEX outcomes_of_a_job ON outcomes (job, id);
"""
_SECOND = """
CREATE TRIGGER takings_stand BEFORE UPDATE ON takings
BEGIN SELECT RAISE(ABORT, 'what was measured stands'); END;
CREATE TRIGGER takings_stay BEFORE DELETE ON takings
BEGIN SELECT RAISE(ABORT, 'what was measured stays'); END;
CREATE TRIGGER outcomes_stand BEFORE UPDATE ON outcomes
BEGIN SELECT RAISE(ABORT, 'what a check came to stands'); END;
CREATE TRIGGER outcomes_stay BEFORE DELETE ON outcomes
BEGIN SELECT RAISE(ABORT, 'what a check came to stays'); END;
CREATE TRIGGER closed_jobs_stand BEFORE UPDATE ON jobs WHEN OLD.closed_at <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
CREATE TRIGGER jobs_stay BEFORE DELETE ON jobs
BEGIN SELECT RAISE(ABORT, 'a job stays'); END;
"""
_THIRD = """
CREATE TRIGGER closed_jobs_take_nothing BEFORE INSERT ON takings
WHEN (SELECT closed_at FROM jobs WHERE number = NEW.job) <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
CREATE TRIGGER closed_jobs_come_to_nothing_else BEFORE INSERT ON outcomes
WHEN (SELECT closed_at FROM jobs WHERE number = NEW.job) <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
"""
_FOURTH = """
ALTER TABLE jobs ADD COLUMN standing TEXT NOT NULL DEFAULT '';
"""
_FIFTH = """
DROP TRIGGER closed_jobs_stand;
UPDATE jobs SET virtual = 1 WHERE virtual = 0 AND EXISTS (
    SELECT 1 FROM takings WHERE job = number AND json_extract(body, '$.virtual')
);
CREATE TRIGGER closed_jobs_stand BEFORE UPDATE ON jobs WHEN OLD.closed_at <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
"""
MIGRATIONS = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH)
"""From each version to the next: the tables; what holds that nothing kept is overwritten; what
holds that nothing is added to a closed job; how an open job stands; which jobs have anything of the
virtual drive in them."""


def migrate(connection: sqlite3.Connection, where: str) -> None:
    """Create a new book's tables, or bring those of an older one up to this version.

    Each step is one transaction: a book is never between two versions.

    Raises
    ------
    BookError
        When it is not a job book, or a newer program's.
    """
    while True:
        version = _version(connection, where)
        if version == len(MIGRATIONS):
            return
        with _transaction(connection, "BEGIN IMMEDIATE"):
            # Another window may do the same at this moment: the version is looked at again inside.
            if _version(connection, where) == version:
                for statement in _statements(MIGRATIONS[version]):
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {version + 1}")


@contextmanager
def _transaction(connection: sqlite3.Connection, begin: str) -> Iterator[None]:
    """Commit all that is written within, or roll it back."""
    connection.execute(begin)
    try:
        yield
        connection.execute("COMMIT")
    finally:
        # A full disk has rolled it back already.
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _version(connection: sqlite3.Connection, where: str) -> int:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID and (application or version or tables):
        raise BookError(f"book “{where}”: this is another program's file; name another with --book")
    if version > len(MIGRATIONS):
        raise BookError(
            f"book “{where}”: it is of version {version}, and this program knows up to "
            f"{len(MIGRATIONS)}; open it with a newer Evenlobe"
        )
    return int(version)


def _statements(script: str) -> list[str]:
    """Split a script into statements, to be run within one transaction."""
    statements: list[str] = []
    begun = ""
    for line in script.splitlines(keepends=True):
        begun += line
        if sqlite3.complete_statement(begun):
            statements.append(begun)
            begun = ""
    return statements


_BUSY_S = 3.0
_SUMMARY = "jobs.number, opened_at, closed_at, virtual, as_found, as_left, nudges"


def default_path() -> Path:
    """Return where the user's book is kept."""
    return user_data_path("evenlobe", appauthor=False) / "book.sqlite3"


def files_of(path: Path) -> tuple[Path, ...]:
    """Return the names that a book takes up: its own, and those that SQLite adds beside it."""
    return (path, *(path.with_name(path.name + end) for end in ("-wal", "-shm", "-journal")))


def is_of_book(path: Path, book: Path) -> bool:
    """Tell whether a name is one that a book takes up, through whatever links.

    Raises
    ------
    OSError
        When that cannot be looked up.
    """
    target = os.path.realpath(path)
    return any(
        target == str(each)
        or (each.exists() and os.path.exists(target) and os.path.samefile(target, each))
        for each in files_of(Path(os.path.realpath(book)))
    )


def folded(text: str) -> str:
    """Return a text as it is searched and sorted by; SQL knows it too."""
    return text.casefold()


def _make_way(path: Path) -> None:
    """Remove what SQLite left beside a file: the one that comes in its place would take it up.

    Raises
    ------
    sqlite3.OperationalError
        When another program has the file open.
    OSError
        When something cannot be removed.
    """
    if path.exists():
        there = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=_BUSY_S)
        try:
            there.execute("PRAGMA locking_mode = EXCLUSIVE")
            there.execute("BEGIN EXCLUSIVE")
        except sqlite3.DatabaseError as fault:
            if fault.sqlite_errorcode == sqlite3.SQLITE_BUSY:
                raise
            # No book, or one too damaged for any program to have it open.
        except UnicodeDecodeError:
            pass
        finally:
            there.close()
    for left in files_of(path)[1:]:
        left.unlink(missing_ok=True)


def _is_writable(path: Path) -> bool:
    """Tell whether SQLite can use a book as it likes: it writes beside it even to read."""
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def _in_memory(path: Path) -> sqlite3.Connection:
    """Return a copy of a book that may not be written to, with what stands beside it in the log.

    Raises
    ------
    sqlite3.Error, OSError
        When it cannot be read.
    """
    with tempfile.TemporaryDirectory(prefix="evenlobe-") as folder:
        for each in files_of(path):
            with suppress(FileNotFoundError):
                # The contents alone: a copy of the rights would be as useless.
                shutil.copyfile(each, Path(folder) / each.name)
        there = sqlite3.connect(Path(folder) / path.name)
        copy = sqlite3.connect(":memory:", isolation_level=None)
        try:
            there.backup(copy)
        finally:
            there.close()
    return copy


def set_aside(path: Path) -> Path:
    """Give a book another name, with all that SQLite left beside it; returns that name.

    Raises
    ------
    BookError
        When another program has it open, or it cannot be renamed.
    """
    with as_book_error(str(path)):
        _make_way(path)
        number = 1
        while (aside := path.with_name(f"{path.name}.replaced-{number}")).exists():
            number += 1
        os.rename(path, aside)
    return aside


class Book:
    """An open job book.

    Parameters
    ----------
    path : Path or None
        The file; it is made with its folder where it is not there, for its maker alone. The
        user's own when None.
    to_read : bool
        Whether it is only read: one that may not be written to will then do.

    Raises
    ------
    BookError
        When it cannot be opened; the message says why, and what to do. So do all methods.
    """

    def __init__(self, path: Path | None = None, *, to_read: bool = False) -> None:
        self.path = default_path() if path is None else path
        self._where = str(self.path)
        with as_book_error(self._where), folder_for(self.path):
            is_new = not self.path.exists()
            if is_new:
                # SQLite would make it readable by everybody; what it adds later is as the file is.
                os.close(os.open(self.path, os.O_CREAT | os.O_EXCL, 0o600))
            if to_read and not _is_writable(self.path):
                self._db = _in_memory(self.path)
            else:
                self._db = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
            try:
                self._prepare()
                self._opened = self._file()
            except BaseException:
                self._db.close()
                with suppress(FileNotFoundError):
                    if is_new and not self.path.stat().st_size:
                        self.path.unlink()
                raise

    def _prepare(self) -> None:
        db = self._db
        # The first statement that reads: whatever else the file is, it is not written to.
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        migrate(db, self._where)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        db.create_function("folded", 1, folded, deterministic=True)

    def _file(self) -> tuple[int, int] | None:
        """Return which file bears the book's name now, None where none does."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return None
        return found.st_dev, found.st_ino

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
        """Copy the book, even while others write to it; the copy appears once it is whole.

        What has that name is replaced, with what SQLite left beside it.

        Raises
        ------
        BookError
            When the copy cannot be written, is not whole, or another program uses what has its
            name.
        """
        with (
            as_book_error(str(path)),
            # Nobody else can have put anything in its place: the folder is new, and its maker's.
            tempfile.TemporaryDirectory(prefix=".evenlobe-", dir=path.parent) as folder,
        ):
            part = Path(folder) / "book"
            part.touch(0o600)
            copy = sqlite3.connect(part)
            try:
                self._db.backup(copy)
                (found,) = copy.execute("PRAGMA integrity_check").fetchone()
            finally:
                copy.close()
            if found != "ok":
                raise BookError(f"backup “{path}”: the copy is damaged; choose another disk")
            _make_way(path)
            os.replace(part, path)
        # As it will be opened once it is needed.
        with Book(path) as kept:
            kept.check()

    def check(self) -> None:
        """Check the whole file, and that every job in it can be read.

        Raises
        ------
        BookError
            When it is damaged.
        """
        with as_book_error(self._where):
            (found,) = self._db.execute("PRAGMA integrity_check").fetchone()
            wrong = self._db.execute("PRAGMA foreign_key_check").fetchone()
        if found != "ok" or wrong is not None:
            raise BookError(f"book “{self._where}”: it is damaged; go on with a backup")
        for number in self.numbers():
            self.job(number)

    @contextmanager
    def whole(self) -> Iterator[None]:
        """Write all that is written within, or nothing of it: one transaction."""
        with as_book_error(self._where):
            if self._db.in_transaction:
                yield
                return
            if self._file() != self._opened:
                # SQLite would write on into a file that nobody can open any more.
                raise BookError(
                    f"book “{self._where}”: its file was moved or removed while it was in use; put "
                    "it back"
                )
            with _transaction(self._db, "BEGIN IMMEDIATE"):
                yield

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """Read all within as it is at one moment, whoever writes meanwhile."""
        with as_book_error(self._where):
            if self._db.in_transaction:
                yield
                return
            with _transaction(self._db, "BEGIN"):
                yield

    # -- writing -------------------------------------------------------------------------------

    def add_drive(self, drive: Drive) -> None:
        """Add a drive.

        Raises
        ------
        BookError
            When there is one of that identity, or a text cannot stand.
        """
        codec.check_texts(codec.as_tree(drive))
        if not drive.identity.strip():
            raise RefusedError("a drive needs an identity; give it a name or number of your own")
        with self.whole():
            if self._drive_id(drive.identity) is not None:
                raise RefusedError(
                    f"drive “{shown(drive.identity)}” is in the book already; choose another "
                    "identity"
                )
            self._db.execute(
                "INSERT INTO drives (identity, profile, note, added_at) VALUES (?, ?, ?, ?)",
                (drive.identity, drive.profile, drive.note, drive.added_at),
            )

    def change_drive(
        self, identity: str, *, profile: str | None = None, note: str | None = None
    ) -> None:
        """Change what is said of a drive; jobs keep the class that they were done with."""
        codec.check_texts({"profile": profile, "note": note})
        with self.whole():
            number = self._known_drive(identity)
            self._db.execute(
                "UPDATE drives SET profile = coalesce(?, profile), note = coalesce(?, note) "
                "WHERE id = ?",
                (profile, note, number),
            )

    def open_job(self, identity: str, head: JobHead, uid: str | None = None) -> int:
        """Begin a job on a drive that is in the book, and return its number."""
        tree = codec.as_tree(head)
        codec.check_texts([tree, uid or ""], "head")
        with self.whole():
            drive = self._known_drive(identity)
            done = self._db.execute(
                "INSERT INTO jobs (uid, drive, opened_at, source, virtual, software, profile, "
                "profile_values, conditions) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    uid or uuid.uuid4().hex,
                    drive,
                    head.opened_at,
                    head.source,
                    int(head.virtual),
                    head.software,
                    head.profile,
                    json.dumps(tree["profile_values"], ensure_ascii=False),
                    json.dumps(tree["conditions"], ensure_ascii=False),
                ),
            )
            assert done.lastrowid is not None
            return done.lastrowid

    def describe_job(self, number: int, said: Mapping[str, str]) -> None:
        """Change what is said of an open job; an empty text takes a description back.

        Raises
        ------
        BookError
            When it is closed, or a key is none of :data:`~app.job.model.DESCRIPTIONS`.
        """
        known = [name for name, _ in DESCRIPTIONS]
        for name in said:
            if name not in known:
                raise RefusedError(f"“{shown(name)}” describes no job; use {', '.join(known)}")
        codec.check_texts(dict(said), "description")
        with self.whole():
            now = dict(self.job(number).head.conditions) | dict(said)
            rows = [[name, text] for name, text in now.items() if text]
            self._db.execute(
                "UPDATE jobs SET conditions = ? WHERE number = ?",
                (json.dumps(rows, ensure_ascii=False), number),
            )

    def keep(self, number: int, *kept: Kept) -> None:
        """Add measurements or outcomes to an open job, or replace how it stands; all or nothing."""
        bodies = [codec.as_text(each) for each in kept]
        with self.whole():
            self._known_job(number)
            for each, body in zip(kept, bodies, strict=True):
                self._keep(number, each, body)

    def _keep(self, number: int, kept: Kept, body: str) -> None:
        if isinstance(kept, Entry):
            arrays = (codec.packed(kept.turns), codec.packed(kept.envelope_v))
            self._db.execute(
                "INSERT INTO takings (job, body, turns, envelope_v) VALUES (?, ?, ?, ?)",
                (number, body, *arrays),
            )
            if kept.virtual:
                self._db.execute(
                    "UPDATE jobs SET virtual = 1 WHERE number = ? AND virtual = 0", (number,)
                )
        elif isinstance(kept, JobStanding):
            self._db.execute(
                "UPDATE jobs SET standing = ?, nudges = ? WHERE number = ?",
                (body, kept.bench.nudges, number),
            )
        else:
            self._db.execute("INSERT INTO outcomes (job, body) VALUES (?, ?)", (number, body))
            outcomes, stages = self._outcomes(number), (Stage.AS_FOUND, Stage.AS_LEFT)
            self._db.execute(
                "UPDATE jobs SET as_found = ?, as_left = ? WHERE number = ?",
                (*(codec.as_text(summary_of(outcomes, stage)) for stage in stages), number),
            )

    def close_job(self, number: int, closed_at: str, nudges: int, reason: str = "") -> None:
        """Close a job; after that nothing of it changes any more."""
        codec.check_texts([closed_at, reason], "reason")
        with self.whole():
            self._known_job(number)
            self._db.execute(
                "UPDATE jobs SET closed_at = ?, closing_reason = ?, nudges = ? WHERE number = ?",
                (closed_at, reason, nudges, number),
            )

    # -- reading -------------------------------------------------------------------------------

    def drive(self, identity: str) -> Drive | None:
        """Return a drive, None when there is none of that identity."""
        codec.check_texts(identity, "identity")
        with as_book_error(self._where):
            row = self._db.execute(
                "SELECT identity, profile, note, added_at FROM drives WHERE identity = ?",
                (identity,),
            ).fetchone()
        return Drive(*row) if row else None

    def drives(self, search: str = "") -> tuple[DriveSummary, ...]:
        """Return the drives whose identity, class or note has `search` in it, by identity."""
        codec.check_texts(search, "search")
        with as_book_error(self._where):
            rows = self._db.execute(
                "SELECT identity, drives.profile, note, added_at, "
                "(SELECT count(*) FROM jobs WHERE drive = drives.id), "
                "(SELECT max(number) FROM jobs WHERE drive = drives.id AND closed_at = ''), "
                f"{_SUMMARY} FROM drives LEFT JOIN jobs ON jobs.number = "
                "(SELECT max(number) FROM jobs WHERE drive = drives.id) "
                "WHERE ? = '' OR instr(folded(identity || char(10) || drives.profile || char(10) "
                "|| note), ?) ORDER BY folded(identity)",
                (search, folded(search)),
            ).fetchall()
            return tuple(
                DriveSummary(
                    Drive(*row[:4]), row[4], _summary_of(row[6:]) if row[6] else None, row[5]
                )
                for row in rows
            )

    def history(self, identity: str) -> tuple[JobSummary, ...]:
        """Return the jobs of a drive, oldest first, without what was measured in them."""
        with as_book_error(self._where):
            drive = self._known_drive(identity)
            rows = self._db.execute(
                f"SELECT {_SUMMARY} FROM jobs WHERE drive = ? ORDER BY number", (drive,)
            )
            return tuple(_summary_of(row) for row in rows)

    def job(self, number: int) -> JobRecord:
        """Return a job with everything that was measured."""
        with self._reading():
            self._known_job(number)
            row: tuple[Any, ...] = self._db.execute(
                "SELECT identity, drives.profile, note, added_at, closed_at, closing_reason, "
                "nudges, opened_at, source, software, jobs.profile, virtual, profile_values, "
                "conditions FROM jobs JOIN drives ON drives.id = drive WHERE number = ?",
                (number,),
            ).fetchone()
            names = ("opened_at", "source", "software", "profile")
            head: dict[str, Any] = dict(zip(names, row[7:], strict=False))
            head["virtual"] = bool(row[11])
            head["profile_values"], head["conditions"] = map(codec.tree_of, row[12:])
            return JobRecord(
                number,
                Drive(*row[:4]),
                codec.read(JobHead, head, f"job {number}"),
                self._entries(number),
                self._outcomes(number),
                *row[4:7],
            )

    def standing(self, number: int) -> JobStanding | None:
        """Return how an open job stands, None of one that is closed or of before that was kept."""
        with self._reading():
            self._known_job(number)
            body, closed_at = self._db.execute(
                "SELECT standing, closed_at FROM jobs WHERE number = ?", (number,)
            ).fetchone()
            if closed_at or not body:
                return None
            return codec.read(JobStanding, codec.tree_of(body), f"job {number}: standing")

    def left(self, number: int) -> ResumableJob:
        """Return an open job as it was left.

        Raises
        ------
        BookError
            When it cannot be gone on with.
        """
        with self._reading():
            record, standing = self.job(number), self.standing(number)
            if record.closed_at:
                raise RefusedError(f"job {number} is closed; begin a new one")
            if standing is None:
                raise RefusedError(
                    f"job {number} was broken off as it began, or an older Evenlobe kept what was "
                    "measured but not how the job stood; begin a new one"
                )
            try:
                steps_of(standing.steps, record.outcomes)
            except ValueError as fault:
                raise CodingError(f"job {number}: {fault}") from None
        return ResumableJob(number, record.drive, record.head, standing, record.outcomes)

    def numbers(self) -> tuple[int, ...]:
        """Return the numbers of all jobs, oldest first."""
        with as_book_error(self._where):
            rows = self._db.execute("SELECT number FROM jobs ORDER BY number")
            return tuple(number for (number,) in rows)

    def uid(self, number: int) -> str:
        """Return the name of a job that is its own among those of all books."""
        with as_book_error(self._where):
            row = self._db.execute("SELECT uid FROM jobs WHERE number = ?", (number,)).fetchone()
        return str(row[0])

    def has_job(self, uid: str) -> bool:
        """Tell whether a job of that name is in the book."""
        codec.check_texts(uid, "uid")
        with as_book_error(self._where):
            found = self._db.execute("SELECT 1 FROM jobs WHERE uid = ?", (uid,)).fetchone()
        return found is not None

    # -- inside --------------------------------------------------------------------------------

    def _drive_id(self, identity: str) -> int | None:
        codec.check_texts(identity, "identity")
        row = self._db.execute("SELECT id FROM drives WHERE identity = ?", (identity,)).fetchone()
        return None if row is None else int(row[0])

    def _known_drive(self, identity: str) -> int:
        number = self._drive_id(identity)
        if number is None:
            raise RefusedError(
                f"drive “{shown(identity)}” is not in the book “{self._where}”; "
                "“evenlobe drives” lists those that are"
            )
        return number

    def _known_job(self, number: int) -> None:
        if number not in self.numbers():
            raise RefusedError(f"book “{self._where}”: it has no job {number}")

    def _outcomes(self, number: int) -> tuple[Outcome, ...]:
        rows = self._db.execute("SELECT body FROM outcomes WHERE job = ? ORDER BY id", (number,))
        return tuple(
            codec.read(Outcome, codec.tree_of(body), f"job {number}: outcome") for (body,) in rows
        )

    def _entries(self, number: int) -> tuple[Entry, ...]:
        where = f"job {number}: taking"
        rows = self._db.execute(
            "SELECT body, turns, envelope_v FROM takings WHERE job = ? ORDER BY id", (number,)
        )
        return tuple(
            codec.entry_of(codec.tree_of(body), where, *map(codec.unpacked, arrays))
            for body, *arrays in rows
        )


def shown(text: str) -> str:
    """Return a user's text fit to stand in one line of a message."""
    printable = "".join(sign if sign.isprintable() else "\ufffd" for sign in text)
    return printable if len(printable) <= 60 else printable[:59] + "…"


def _summary_of(row: tuple[Any, ...]) -> JobSummary:
    number, opened_at, closed_at, virtual, as_found, as_left, nudges = row
    found, left = (
        Summary() if text == "{}" else codec.read(Summary, codec.tree_of(text), f"job {number}")
        for text in (as_found, as_left)
    )
    return JobSummary(number, opened_at, closed_at, bool(virtual), found, left, nudges)
