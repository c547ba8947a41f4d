"""The job book: drives, jobs and every measurement, in one SQLite file.

A book of an older version is brought up to date when it is opened. What was measured is never
overwritten, which triggers in the file itself see to; that a disk has changed it is told by a
checksum a row.

Threads: a book belongs to the thread that opened it. Several threads, windows and programs may
have the same file open, each through a book of its own.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import tempfile
import time
import uuid
from collections.abc import Collection, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

from platformdirs import user_data_path

from app.book import codec
from app.book.model import (
    READ_ONLY,
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
from app.book.schema import (
    DRIVE_IS_SOUND,
    JOB_IS_SOUND,
    KEEP_OUTCOME,
    KEEP_TAKING,
    OUTCOME_IS_SOUND,
    SEAL_DRIVE,
    SEAL_JOB,
    TAKING_IS_SOUND,
    change_of_job,
    checksum,
    migrate,
    transaction,
)
from app.files import atomic_write, check_replaceable, folder_for
from app.job.job import Kept
from app.job.model import DESCRIPTIONS, INSERTED, CheckName, Entry, JobHead, Outcome, Stage, Summary
from app.job.outcomes import summary_of
from app.job.plan import JobStanding, steps_of

_BUSY_S = 3.0
_SUMMARY = f"{JOB_IS_SOUND}, jobs.number, opened_at, closed_at, virtual, as_found, as_left, nudges"

_PUT_IN = "instr(body, ?) > 0"
_INSERTED = f'"label": "{INSERTED}"'
"""As it stands in an entry's text, where no word of a user can stand so."""


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


def _refuse_used(path: Path) -> None:
    """Refuse to replace a file that another program has open.

    Raises
    ------
    sqlite3.OperationalError
        When one has.
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


def _remove_empty(path: Path) -> None:
    """Remove a book in which nothing was ever kept, unless another program has it open by now."""
    with suppress(sqlite3.Error, OSError):
        if not path.stat().st_size:
            path.unlink()
            return
        with closing(sqlite3.connect(path, timeout=0.0)) as there:
            there.execute("PRAGMA locking_mode = EXCLUSIVE")
            there.execute("BEGIN EXCLUSIVE")
            if there.execute("SELECT 1 FROM drives").fetchone() is None:
                # While it is locked: nobody can put anything in between.
                for each in files_of(path):
                    each.unlink(missing_ok=True)


def may_only_be_read(path: Path | None) -> bool:
    """Tell whether a book is there, the user's own where None, and may not be written to."""
    path = default_path() if path is None else path
    return os.path.exists(path) and not _is_writable(path)


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
        copy = sqlite3.connect(":memory:")
        try:
            there.backup(copy)
        finally:
            there.close()
    return copy


def _set_aside(path: Path) -> Path:
    """Copy a book to another name, with what SQLite left beside it; returns that name.

    It stays under its own as well: whatever happens next, there is a book.

    Raises
    ------
    OSError
        When it cannot be copied; then nothing of the copy is left.
    """
    number = 1
    while not _made(aside := path.with_name(f"{path.name}.replaced-{number}")):
        number += 1
    try:
        for each, copy in zip(files_of(path), files_of(aside), strict=True):
            # What is shared between programs is of no use to a copy.
            if each.exists() and not each.name.endswith("-shm"):
                with atomic_write(copy) as part:
                    shutil.copyfile(each, part)
    except BaseException:
        for each in files_of(aside):
            each.unlink(missing_ok=True)
        raise
    return aside


def _write_ahead(db: sqlite3.Connection) -> None:
    """Have changes written ahead of the book's pages."""
    # Where two do so at the same moment SQLite refuses one of them without a wait.
    end_s = time.monotonic() + 2 * _BUSY_S
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as fault:
            if fault.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > end_s:
                raise
            time.sleep(_BUSY_S / 100)
        else:
            return


def _made(path: Path) -> bool:
    """Make an empty file for its maker alone; return False where another has just made it.

    SQLite would make it readable by everybody; what it adds later is as the file is.
    """
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL, 0o600))
    except FileExistsError:
        # A link that leads nowhere is not to be followed.
        if not path.exists():
            raise
        return False
    # Whatever its maker's programs are told to withhold: it could not be opened again.
    path.chmod(0o600)
    return True


class Book:
    """An open job book.

    Parameters
    ----------
    path : Path or None
        The file; it is made with its folder where it is not there, for its maker alone. The
        user's own when None.
    to_read : bool
        Whether it is only read: one that may not be written to will then do, and stays as it is.

    Raises
    ------
    BookError
        When it cannot be opened; the message says why, and what to do. So do all methods.
    """

    def __init__(self, path: Path | None = None, *, to_read: bool = False) -> None:
        self.path = default_path() if path is None else path
        self._where = str(self.path)
        with as_book_error(self._where), folder_for(self.path):
            with suppress(FileNotFoundError):
                # Of one that is too long SQLite would say that it cannot open the book.
                files_of(self.path)[-1].stat()
            self._is_new = not self.path.exists() and _made(self.path)
            self._refuse_odd_file(to_read=to_read)
            is_copy = not _is_writable(self.path)
            if is_copy and not to_read:
                # SQLite would open it, and leave files beside it that keep its owner out.
                raise BookError(f"book “{self._where}”: {READ_ONLY}")
            if is_copy:
                self._db = _in_memory(self.path)
            else:
                # A relative name may be taken for an address of SQLite's own.
                where = self.path.absolute()
                self._db = sqlite3.connect(where, timeout=_BUSY_S, isolation_level=None)
            try:
                self._prepare()
                if is_copy:
                    self._db.execute("PRAGMA query_only = ON")
                self._opened = self._file()
            except BaseException:
                self._undo()
                raise

    def _undo(self) -> None:
        """Close the book; where this has made it, it goes again with nothing in it."""
        self._db.close()
        if self._is_new:
            _remove_empty(self.path)

    @classmethod
    @contextmanager
    def to_fill(cls, path: Path | None) -> Iterator[Self]:
        """Open a book to add to it; where nothing comes of that, one that was not there goes again.

        Raises
        ------
        OSError
            When a folder for it cannot be made.
        """
        path = default_path() if path is None else path
        with folder_for(path), cls(path) as book:
            try:
                yield book
            except BaseException:
                book._undo()
                raise

    def _refuse_odd_file(self, *, to_read: bool) -> None:
        """Refuse what is no file, a file with a second name, and to read an empty one.

        SQLite keeps the newest beside the name that it used (https://sqlite.org/howtocorrupt.html,
        2.5), so that under the other it would be missing.

        Raises
        ------
        BookError
            When it is one of these.
        """
        found = self.path.stat()
        why = ""
        if not stat.S_ISREG(found.st_mode) and not stat.S_ISDIR(found.st_mode):
            why = "it is no file; name another with --book"
        elif stat.S_ISREG(found.st_mode) and found.st_nlink > 1:
            why = (
                "its file has a second name (a hard link), under which a part of it may be "
                "missing; remove that, or copy the file and name the copy"
            )
        elif to_read and stat.S_ISREG(found.st_mode) and not found.st_size:
            # To SQLite it is a book without tables, which one that lost all that it held is not.
            why = "its file is empty: it was cut off, or nothing was ever kept in it; name another"
        if why:
            raise BookError(f"book “{self._where}”: {why}")

    def _prepare(self) -> None:
        db = self._db
        # The first statement that reads: whatever else the file is, it is not written to.
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        db.create_function("checksum", -1, checksum)
        migrate(db, self._where)
        _write_ahead(db)
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        db.create_function("folded", 1, folded)

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

    def backup(self, path: Path, *, aside: bool = False) -> Path | None:
        """Copy the book, even while others write to it; the copy appears once it is whole.

        What has that name is replaced, with what SQLite left beside it.

        Parameters
        ----------
        path : Path
            The copy.
        aside : bool
            Whether what has that name is kept under another.

        Returns
        -------
        Path or None
            That other name, where there was something to be kept.

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
            check_replaceable(path)
            part = Path(folder).absolute() / "book"
            part.touch(0o600)
            copy = sqlite3.connect(part)
            try:
                self._db.backup(copy)
                (found,) = copy.execute("PRAGMA integrity_check").fetchone()
            finally:
                copy.close()
            if found != "ok":
                raise BookError(f"backup “{path}”: the copy is damaged; choose another disk")
            # What has the name may be the last that is whole.
            self._check_copy(part, path)
            _refuse_used(path)
            before = _set_aside(path) if aside and path.exists() else None
            # What comes in its place would take up what SQLite left beside it.
            for left in files_of(path)[1:]:
                left.unlink(missing_ok=True)
            os.replace(part, path)
        # As it will be opened once it is needed.
        with Book(path) as kept:
            kept.check()
        return before

    def _check_copy(self, part: Path, path: Path) -> None:
        try:
            with Book(part) as copy:
                copy.check()
        except BookError as fault:
            why = str(fault).replace(str(part), self._where)
            raise BookError(f"{why}; “{path}” stays as it was") from None

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
            with transaction(self._db, "BEGIN IMMEDIATE"):
                yield

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """Read all within as it is at one moment, whoever writes meanwhile."""
        with as_book_error(self._where):
            if self._db.in_transaction:
                yield
                return
            with transaction(self._db, "BEGIN"):
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
            self._db.execute(SEAL_DRIVE, (drive.identity,))

    def change_drive(
        self, identity: str, *, profile: str | None = None, note: str | None = None
    ) -> None:
        """Change what is said of a drive; jobs keep the class that they were done with."""
        codec.check_texts({"profile": profile, "note": note})
        with self.whole():
            number = self._known_drive(identity)
            # One that is damaged is not made to look sound.
            self.drive(identity)
            self._db.execute(
                "UPDATE drives SET profile = coalesce(?, profile), note = coalesce(?, note) "
                "WHERE id = ?",
                (profile, note, number),
            )
            self._db.execute(SEAL_DRIVE, (identity,))

    def open_job(self, identity: str, head: JobHead, uid: str | None = None) -> int:
        """Begin a job on a drive that is in the book, and return its number."""
        codec.check_texts([codec.as_tree(head), uid], "head")
        with self.whole():
            drive = self._known_drive(identity)
            done = self._db.execute(
                "INSERT INTO jobs (uid, drive, opened_at, source, virtual, software, profile, "
                "profile_values, conditions, plan, left_out) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    uid or uuid.uuid4().hex,
                    drive,
                    head.opened_at,
                    head.source,
                    int(head.virtual),
                    head.software,
                    head.profile,
                    codec.as_text(head.profile_values),
                    codec.as_text(head.conditions),
                    head.plan,
                    codec.as_text(head.left_out),
                ),
            )
            assert done.lastrowid is not None
            self._db.execute(SEAL_JOB, (done.lastrowid,))
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
            self._change_job(number, conditions=codec.as_text(rows))

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
            self._db.execute(KEEP_TAKING, (number, body, *arrays))
            self._change_job(number, kept=self._kept(number) + 1)
            if kept.virtual:
                self._change_job(number, virtual=True)
        elif isinstance(kept, JobStanding):
            self._change_job(number, standing=body, nudges=kept.bench.nudges)
        else:
            self._db.execute(KEEP_OUTCOME, (number, body))
            outcomes = self._outcomes(number)
            found, left = (summary_of(outcomes, each) for each in (Stage.AS_FOUND, Stage.AS_LEFT))
            self._change_job(
                number,
                as_found=codec.as_text(found),
                as_left=codec.as_text(left),
                kept=self._kept(number) + 1,
            )

    def close_job(self, number: int, closed_at: str, nudges: int, reason: str = "") -> None:
        """Close a job; after that nothing of it changes any more."""
        codec.check_texts([closed_at, reason], "reason")
        with self.whole():
            self._known_job(number)
            self._change_job(number, closed_at=closed_at, closing_reason=reason, nudges=nudges)

    # -- reading -------------------------------------------------------------------------------

    def drive(self, identity: str) -> Drive | None:
        """Return a drive, None when there is none of that identity."""
        codec.check_texts(identity, "identity")
        with as_book_error(self._where):
            row = self._db.execute(
                f"SELECT {DRIVE_IS_SOUND}, identity, profile, note, added_at FROM drives "
                "WHERE identity = ?",
                (identity,),
            ).fetchone()
            return _drive_of(row) if row else None

    def drives(self, search: str = "") -> tuple[DriveSummary, ...]:
        """Return the drives whose identity, class or note has `search` in it, by identity."""
        codec.check_texts(search, "search")
        with as_book_error(self._where):
            rows = self._db.execute(
                f"SELECT {DRIVE_IS_SOUND}, identity, drives.profile, note, added_at, "
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
                    _drive_of(row[:5]), row[5], _summary_of(row[7:]) if row[8] else None, row[6]
                )
                for row in rows
            )

    def history(self, identity: str) -> tuple[JobSummary, ...]:
        """Return the jobs of a drive, oldest first, without what was measured in them."""
        with as_book_error(self._where):
            drive = self._known_drive(identity)
            rows = self._db.execute(
                f"SELECT {_SUMMARY}, "
                f"(SELECT COUNT(*) FROM takings WHERE job = number AND {_PUT_IN}) "
                "FROM jobs WHERE drive = ? ORDER BY number",
                (_INSERTED, drive),
            ).fetchall()
            return tuple(replace(_summary_of(row[:-1]), insertions=row[-1]) for row in rows)

    def insertions(self) -> dict[str, int]:
        """Return how often each alignment disk was put in, by the words that tell of it.

        Jobs on the virtual drive wear none; of those that tell of no disk the words are empty.
        """
        found: dict[str, int] = {}
        with as_book_error(self._where):
            rows = self._db.execute(
                "SELECT conditions, COUNT(*) FROM jobs JOIN takings ON job = number "
                f"WHERE NOT virtual AND {_PUT_IN} GROUP BY conditions",
                (_INSERTED,),
            ).fetchall()
            for conditions, times in rows:
                disk = dict(codec.tree_of(conditions)).get("alignment disk", "")
                found[disk] = found.get(disk, 0) + times
        return found

    def job(self, number: int) -> JobRecord:
        """Return a job with everything that was measured."""
        with self._reading():
            self._known_job(number)
            row = self._row(
                f"SELECT {JOB_IS_SOUND}, {DRIVE_IS_SOUND}, identity, drives.profile, note, "
                "added_at, closed_at, closing_reason, nudges, opened_at, source, software, "
                "jobs.profile, virtual, plan, profile_values, conditions, left_out FROM jobs "
                "JOIN drives ON drives.id = drive WHERE number = ?",
                number,
            )
            _check(row[0], f"job {number}")
            drive, row = _drive_of(row[1:6]), row[6:]
            names = ("opened_at", "source", "software", "profile")
            head: dict[str, Any] = dict(zip(names, row[3:], strict=False))
            head["virtual"], head["plan"] = bool(row[7]), row[8]
            of_lists = ("profile_values", "conditions", "left_out")
            head |= zip(of_lists, map(codec.tree_of, row[9:]), strict=True)
            entries, outcomes = self._entries(number), self._outcomes(number)
            if len(entries) + len(outcomes) != self._kept(number):
                # Each is sound that is found, and an index may not find them all.
                raise CodingError(f"job {number}: something of it is missing")
            known = codec.read(JobHead, head, f"job {number}")
            return JobRecord(number, drive, known, entries, outcomes, *row[:3])

    def standing(self, number: int) -> JobStanding | None:
        """Return how an open job stands, None of one that is closed or of before that was kept."""
        with self._reading():
            self._known_job(number)
            body, closed_at = self._row(
                "SELECT standing, closed_at FROM jobs WHERE number = ?", number
            )
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

    def numbers(self, checks: Collection[CheckName] = ()) -> tuple[int, ...]:
        """Return the numbers of all jobs, or of those that did one of `checks`, oldest first."""
        with as_book_error(self._where):
            query = "SELECT number FROM jobs ORDER BY number"
            if checks:
                marks = ", ".join("?" * len(checks))
                query = (
                    "SELECT DISTINCT job FROM outcomes WHERE json_valid(body) AND "
                    f"json_extract(body, '$.check') IN ({marks}) ORDER BY job"
                )
            return tuple(number for (number,) in self._db.execute(query, tuple(checks)))

    def uid(self, number: int) -> str:
        """Return the name of a job that is its own among those of all books."""
        with as_book_error(self._where):
            return str(self._row("SELECT uid FROM jobs WHERE number = ?", number)[0])

    def has_job(self, uid: str) -> bool:
        """Tell whether a job of that name is in the book."""
        codec.check_texts(uid, "uid")
        with as_book_error(self._where):
            found = self._db.execute("SELECT 1 FROM jobs WHERE uid = ?", (uid,)).fetchone()
        return found is not None

    # -- inside --------------------------------------------------------------------------------

    def _kept(self, number: int) -> int:
        """Return how many measurements and outcomes a job has, by its own count."""
        return int(self._row("SELECT kept FROM jobs WHERE number = ?", number)[0])

    def _row(self, statement: str, number: int) -> tuple[Any, ...]:
        """Return the one row of a job that is in the book, with its drive where that is asked for.

        Raises
        ------
        CodingError
            When there is none: an index names a job that is nowhere.
        """
        row: tuple[Any, ...] | None = self._db.execute(statement, (number,)).fetchone()
        if row is None:
            raise CodingError(f"job {number}: something of it is missing")
        return row

    def _change_job(self, number: int, **values: object) -> None:
        done = self._db.execute(change_of_job(values), {"number": number, **values})
        _check(done.rowcount, f"job {number}")

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
        with as_book_error(self._where):
            asked = "SELECT 1 FROM jobs WHERE number = ?"
            # SQLite holds no larger integer.
            is_there = abs(number) < 1 << 63 and self._db.execute(asked, (number,)).fetchone()
        if not is_there:
            raise RefusedError(f"book “{self._where}”: it has no job {number}")

    def _outcomes(self, number: int) -> tuple[Outcome, ...]:
        where = f"job {number}: outcome"
        rows = self._db.execute(
            f"SELECT {OUTCOME_IS_SOUND}, body FROM outcomes WHERE job = ? ORDER BY id", (number,)
        ).fetchall()
        return tuple(
            codec.read(Outcome, codec.tree_of(body), where)
            for is_sound, body in rows
            if _check(is_sound, where)
        )

    def _entries(self, number: int) -> tuple[Entry, ...]:
        where = f"job {number}: taking"
        found = self._db.execute(
            f"SELECT {TAKING_IS_SOUND}, body, turns, envelope_v FROM takings WHERE job = ? "
            "ORDER BY id",
            (number,),
        )
        unpacked = codec.Unpacking()
        # One that was left off in its midst would keep the file open beyond the book's closing.
        with closing(found) as rows:
            return tuple(
                codec.entry_of(codec.tree_of(body), where, *map(unpacked, arrays))
                for is_sound, body, *arrays in rows
                if _check(is_sound, where)
            )


def shown(text: str) -> str:
    """Return a user's text fit to stand in one line of a message."""
    printable = "".join(sign if sign.isprintable() else "\ufffd" for sign in text)
    return printable if len(printable) <= 60 else printable[:59] + "…"


def _check(is_sound: int, where: str) -> bool:
    """Refuse a row that is not as it was kept.

    Raises
    ------
    CodingError
        When it is not.
    """
    if not is_sound:
        raise CodingError(f"{where} is not as it was kept")
    return True


def _drive_of(row: tuple[Any, ...]) -> Drive:
    is_sound, identity, *rest = row
    _check(is_sound, f"drive “{shown(identity)}”")
    return Drive(identity, *rest)


def _summary_of(row: tuple[Any, ...]) -> JobSummary:
    is_sound, number, opened_at, closed_at, virtual, as_found, as_left, nudges = row
    _check(is_sound, f"job {number}")
    found, left = (
        Summary() if text == "{}" else codec.read(Summary, codec.tree_of(text), f"job {number}")
        for text in (as_found, as_left)
    )
    return JobSummary(number, opened_at, closed_at, bool(virtual), found, left, nudges)
