"""Writes one job to the book on a thread of its own, so that nobody waits for a disk.

Threads: :meth:`JobWriter.keep` and :meth:`JobWriter.close` are for the thread that leads the job,
and return at once. The thread ``book`` alone writes to the file. What cannot be written waits in
memory and is tried again; :attr:`JobWriter.fault` says so meanwhile, and the job goes on.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Collection
from pathlib import Path

from app.book.lease import JobLease
from app.book.model import BookError, Drive, JobRecord, JobSummary, RefusedError
from app.book.store import Book, default_path
from app.job.job import Job, Kept
from app.job.model import USUAL_CHECKS, CheckName, Entry, JobHead
from app.job.plan import Plan, left_out
from app.profiles import Profile, profile_values

_AGAIN_S = 1.0
_STOP_S = 10.0
_WRITE_WITHIN_S = 10.0

_Work = Callable[[Book, int], object]


def head_for(
    source: str,
    virtual: bool,
    profile: Profile,
    software: str,
    opened_at: str,
    plan: Plan = Plan.FULL,
    checks: Collection[CheckName] = USUAL_CHECKS,
) -> JobHead:
    """Return what is known of a job that begins now; `checks` are those that are wanted."""
    return JobHead(
        opened_at=opened_at,
        source=source,
        virtual=virtual,
        software=software,
        profile=profile.name,
        profile_values=profile_values(profile),
        plan=plan,
        left_out=left_out(profile, checks, plan=plan),
    )


class JobWriter:
    """Keeps one job: in the book, where there is one, and for its report.

    Parameters
    ----------
    drive : Drive
        Whose job; added to the book where it is not in it.
    head : JobHead
        What is known at its beginning.
    now : callable
        Returns the time as ISO 8601 with offset.
    path : Path or None
        The book's file; the user's own when None.
    in_book : bool
        Whether there is a book at all.
    number : int, optional
        The job's number in the book, where it is there already.

    Raises
    ------
    BookError
        When that job is being worked on elsewhere.
    """

    def __init__(
        self,
        drive: Drive,
        head: JobHead,
        now: Callable[[], str],
        *,
        path: Path | None = None,
        in_book: bool = True,
        number: int | None = None,
    ) -> None:
        self.drive = drive
        self.head = head
        self._now = now
        self.path = path
        self._in_book = in_book
        self._entries: list[Entry] = []
        self._closed_at = ""
        self._work: queue.SimpleQueue[_Work | None] = queue.SimpleQueue()
        self._written = threading.Condition()
        # Both: whoever asks for work, under the condition.
        self._asked = 0
        self._done = 0
        # Writer of these: the thread `book`.
        self._number = number
        self._fault = self._refused = ""
        self._book: Book | None = None
        self._lease = None if number is None else self._lease_of(number)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="book", daemon=True)
        if in_book:
            self._thread.start()
            self._ask(lambda book, number: None)

    @property
    def number(self) -> int | None:
        """The job's number in the book, None where it has none yet."""
        return self._number if self._in_book else None

    @property
    def fault(self) -> str:
        """Why the book cannot be written now, and what to do; empty when all is well."""
        return self._fault if self._in_book else ""

    @property
    def entries(self) -> tuple[Entry, ...]:
        """What was measured and seen of the job since it is kept here."""
        return tuple(self._entries)

    def keep(self, *kept: Kept) -> None:
        """Keep measurements, outcomes, how the job stands: all of it or nothing."""
        self._entries += [each for each in kept if isinstance(each, Entry)]
        self._ask(lambda book, number: book.keep(number, *kept))

    def close(self, nudges: int, reason: str) -> None:
        """Keep that the job was closed."""
        closed_at = self._closed_at = self._now()
        self._ask(lambda book, number: book.close_job(number, closed_at, nudges, reason))

    def flush(self, timeout_s: float) -> bool:
        """Wait until all is written; returns whether it is."""
        with self._written:
            return self._written.wait_for(lambda: self._done == self._asked, timeout_s)

    def finish(self, within_s: float = _WRITE_WITHIN_S) -> str:
        """Let the book be written to its end; returns why it could not be, else nothing.

        Afterwards a job that is not wholly in the book counts as in none.
        """
        if not self._in_book:
            return ""
        self.flush(within_s)
        self._stopping.set()
        self._work.put(None)
        self._thread.join(_STOP_S)
        if self._lease is not None:
            self._lease.end()
        # What was busy until now may have been written or refused while it ended.
        fault = self._fault
        if not fault and not self.flush(0.0):
            fault = "it could not be written in time; see to the disk that it is on"
        self._in_book = not fault
        return fault

    def record(self, job: Job) -> tuple[JobRecord, tuple[JobSummary, ...]]:
        """Return the job as the report wants it, and the drive's history.

        Raises
        ------
        BookError
            When the book cannot be read.
        """
        if self.number is not None:
            with Book(self.path) as book:
                return book.job(self.number), book.history(self.drive.identity)
        kept = (self.drive, self.head, tuple(self._entries), job.outcomes)
        return JobRecord(0, *kept, self._closed_at, job.closing_reason, job.nudges), ()

    def uid(self) -> str:
        """Return the job's name among those of all books, empty where it is in none.

        Raises
        ------
        BookError
            When the book cannot be read.
        """
        if self.number is None:
            return ""
        with Book(self.path) as book:
            return book.uid(self.number)

    def _ask(self, work: _Work) -> None:
        if self._in_book:
            with self._written:
                self._asked += 1
            self._work.put(work)

    def _run(self) -> None:
        try:
            while (work := self._work.get()) is not None and self._do(work):
                pass
        finally:
            if self._book is not None:
                self._book.close()

    def _do(self, work: _Work) -> bool:
        """Do one thing until it is done or refused; returns whether the thread is to go on."""
        while True:
            try:
                book, number = self._ready()
                work(book, number)
            except RefusedError as fault:
                # The others are kept all the same.
                self._refused = str(fault)
                break
            except BookError as fault:
                self._fault = str(fault)
                if self._stopping.wait(_AGAIN_S):
                    return False
            except Exception as fault:
                # A fault of the program's own would come again: the others are kept all the same.
                self._refused = (
                    f"not everything could be kept ({type(fault).__name__}: {str(fault)[:200]}); "
                    "this is a fault in Evenlobe"
                )
                break
            else:
                break
        self._fault = self._refused
        with self._written:
            self._done += 1
            self._written.notify_all()
        return True

    def _ready(self) -> tuple[Book, int]:
        """Return the open book and the job's number in it, opening both where that is due."""
        self._book = book = self._book or Book(self.path)
        if self._number is None:
            with book.whole():
                if book.drive(self.drive.identity) is None:
                    book.add_drive(self.drive)
                number = book.open_job(self.drive.identity, self.head)
            self._lease, self._number = self._lease_of(number), number
        return book, self._number

    def _lease_of(self, number: int) -> JobLease:
        return JobLease(self.path or default_path(), number)
