"""What the job book holds, as it is read from it, and what can go wrong with it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from app.analysis.results import LATER
from app.ends import end_if_asked
from app.job.model import INSERTED, Entry, JobHead, Outcome, Stage, Summary
from app.job.outcomes import summary_of
from app.job.plan import JobStanding
from app.profiles import NOT_STATED, Profile, profile_values


class BookError(Exception):
    """The book cannot be used as asked; the message names it and the remedy."""


class RefusedError(BookError):
    """Something cannot be kept as it is; trying again would not help."""


class CodingError(Exception):
    """Something read is not what it should be; the message says where and what."""


@contextmanager
def as_book_error(where: str) -> Iterator[None]:
    """Turn every fault in reading or writing a book into one sentence about that at `where`.

    Raises
    ------
    BookError
        Instead of theirs.
    KeyboardInterrupt, SystemExit
        Where the program was asked to end in a function of ours that SQLite calls.
    """
    try:
        yield
    except sqlite3.Error as fault:
        end_if_asked()
        kind = RefusedError if isinstance(fault, sqlite3.IntegrityError) else BookError
        raise kind(f"book “{where}”: {_sentence(fault)}") from None
    except CodingError as fault:
        why = f"it is damaged ({fault}); keep the file, and go on with a backup"
        raise BookError(f"book “{where}”: {why}") from None
    except UnicodeDecodeError:
        # SQLite quotes a damaged table's name in its own complaint.
        raise BookError(f"book “{where}”: {_DAMAGED}") from None
    except OSError as fault:
        why = fault.strerror or fault
        raise BookError(f"book “{where}”: {why}; choose another place") from None


def _sentence(fault: sqlite3.Error) -> str:
    name = getattr(fault, "sqlite_errorname", "") or ""
    if isinstance(fault, sqlite3.OperationalError) and not name:
        # Not SQLite's own complaint, but of a text in it that is none.
        return _DAMAGED
    for beginning, sentence in _SENTENCES:
        if name.startswith(beginning):
            return sentence
    return f"{fault}; check the disk, and go on with a backup if it returns"


READ_ONLY = "it cannot be written to; give yourself the right to, or name another"
_BUSY = "another window or program is writing to it; try again when that has ended"
_FULL = "the disk is full; make room, what was kept before stands"
_DAMAGED = "it is damaged; keep the file, and go on with a backup"
_SENTENCES = (
    ("SQLITE_BUSY", _BUSY),
    ("SQLITE_LOCKED", _BUSY),
    ("SQLITE_READONLY", READ_ONLY),
    ("SQLITE_FULL", _FULL),
    # What programs share is made as large as it may get when a book is opened.
    ("SQLITE_IOERR_SHMSIZE", _FULL),
    ("SQLITE_CANTOPEN", "it cannot be opened; it and its folder must be yours to write to"),
    ("SQLITE_NOTADB", "this is not a job book; name another with --book"),
    ("SQLITE_CORRUPT", _DAMAGED),
    ("SQLITE_TOOBIG", "that is more text than a book takes; shorten it"),
    ("SQLITE_CONSTRAINT_TRIGGER", "what was kept stands and cannot be changed; add to it instead"),
)


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive by the user's own identity for it, which is unique within a book."""

    identity: str
    profile: str
    note: str = ""
    added_at: str = ""
    """ISO 8601 with offset."""


@dataclass(frozen=True, slots=True)
class JobSummary:
    """A job in a drive's history: what charts and lists need of it."""

    number: int
    opened_at: str
    closed_at: str
    virtual: bool
    as_found: Summary
    as_left: Summary
    nudges: int
    insertions: int = field(default=0, metadata=LATER)
    """How often the alignment disk was put in."""


@dataclass(frozen=True, slots=True)
class JobRecord:
    """One job from the book.

    Attributes
    ----------
    number : int
        Its number in the book; 0 where it is in none.
    drive : Drive
        Whose.
    head : JobHead
        What was known at its beginning.
    entries : tuple of Entry
        In the order in which they were taken.
    outcomes : tuple of Outcome
        In the order in which the checks ended; a repeated check is there again.
    closed_at, closing_reason : str
        Empty while it is open; why it was closed with an open failure.
    nudges : int
        Nudges of the stepper's body that were asked for.
    """

    number: int
    drive: Drive
    head: JobHead
    entries: tuple[Entry, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    closed_at: str = ""
    closing_reason: str = ""
    nudges: int = 0

    @property
    def virtual(self) -> bool:
        """Whether anything in it comes from the virtual drive."""
        return self.head.virtual or any(entry.virtual for entry in self.entries)

    @property
    def insertions(self) -> int:
        """How often the alignment disk was put in."""
        return sum(entry.label == INSERTED for entry in self.entries)

    @property
    def as_found(self) -> Summary:
        """The drive's three numbers as it came."""
        return summary_of(self.outcomes, Stage.AS_FOUND)

    @property
    def as_left(self) -> Summary:
        """The drive's three numbers as it went."""
        return summary_of(self.outcomes, Stage.AS_LEFT)

    @property
    def summary(self) -> JobSummary:
        """What a list of jobs has of it."""
        of = (self.number, self.head.opened_at, self.closed_at, self.virtual)
        return JobSummary(*of, self.as_found, self.as_left, self.nudges, self.insertions)


@dataclass(frozen=True, slots=True)
class DriveSummary:
    """A drive in a list: its jobs.

    Attributes
    ----------
    jobs : int
        How many were done on it.
    last : JobSummary or None
        The newest of them.
    open_job : int or None
        Number of the newest that is open, whatever was begun after it.
    """

    drive: Drive
    jobs: int
    last: JobSummary | None
    open_job: int | None = None


@dataclass(frozen=True, slots=True)
class ResumableJob:
    """An open job, with all that it takes to go on with it."""

    number: int
    drive: Drive
    head: JobHead
    standing: JobStanding
    outcomes: tuple[Outcome, ...]

    def check_fits(self, profile: Profile, virtual: bool) -> None:
        """Refuse to go on with another kind of drive, or by other limits.

        Parameters
        ----------
        profile : Profile
            The class as it is now.
        virtual : bool
            Whether the source is the virtual drive.

        Raises
        ------
        RefusedError
            The sentence says what does not fit.
        """
        job = f"job {self.number}"
        if virtual != self.head.virtual:
            begun, now = ("the virtual drive", "a real one")[:: 1 if self.head.virtual else -1]
            raise RefusedError(
                f"{job} was begun on {begun}, and the source is {now}; open a source that fits, "
                "or begin a new job"
            )
        begun_with = {row[0]: row for row in self.head.profile_values}
        # What an older version did not know of, and is not stated now, was no other then.
        now_with = {
            row[0]: row
            for row in profile_values(profile)
            if row[0] in begun_with or row[1] != NOT_STATED
        }
        if (profile.name, now_with) != (self.head.profile, begun_with):
            raise RefusedError(
                f"{job} was begun with the values that the class “{self.head.profile}” had then, "
                f"and those of “{profile.name}” are others now; begin a new job"
            )
