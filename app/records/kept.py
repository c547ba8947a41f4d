"""What a job gives to be kept: for the book, where there is one, and for the report."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from app.job.job import Job
from app.job.model import JobHead, Outcome, Taking
from app.job.standing import Standing
from app.profiles import Profile, profile_values
from app.records.book import Book
from app.records.keeper import Keeper
from app.records.model import Drive, JobRecord, Past

_WRITE_WITHIN_S = 10.0


def head_for(
    source: str, virtual: bool, profile: Profile, software: str, opened_at: str
) -> JobHead:
    """Return what stands over a job that begins now."""
    return JobHead(
        opened_at=opened_at,
        source=source,
        virtual=virtual,
        software=software,
        profile=profile.name,
        profile_values=profile_values(profile),
    )


class Kept:
    """One job as it is kept.

    Parameters
    ----------
    drive, head : Drive, JobHead
        Whose job, and what stands over it.
    now : callable
        Returns the time as ISO 8601 with offset.
    path : Path or None
        The book's file; the user's own when None.
    in_book : bool
        Whether there is a book at all.
    number : int, optional
        The job's number in the book, where it is there already.
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
        self._path = path
        self._keeper = Keeper(path, drive, head, now, number) if in_book else None
        self._takings: list[Taking] = []
        self._closed_at = ""

    @property
    def fault(self) -> str:
        """Why the book cannot be written now; empty when all is well."""
        return "" if self._keeper is None else self._keeper.fault

    @property
    def number(self) -> int | None:
        """The job's number in the book, None where it has none yet."""
        return None if self._keeper is None else self._keeper.number

    def add_taking(self, taking: Taking) -> None:
        """Keep a measurement."""
        self._takings.append(taking)
        if self._keeper is not None:
            self._keeper.add_taking(taking)

    def add_outcome(self, outcome: Outcome) -> None:
        """Keep what a check came to."""
        if self._keeper is not None:
            self._keeper.add_outcome(outcome)

    def add_standing(self, standing: Standing) -> None:
        """Keep how the job stands."""
        if self._keeper is not None:
            self._keeper.add_standing(standing)

    def close(self, nudges: int, reason: str) -> None:
        """Keep that the job was closed."""
        self._closed_at = self._now()
        if self._keeper is not None:
            self._keeper.close(nudges, reason)

    def finish(self, within_s: float = _WRITE_WITHIN_S) -> str:
        """Let the book be written to its end; returns why it could not be, else nothing."""
        keeper = self._keeper
        if keeper is None:
            return ""
        keeper.flush(within_s)
        fault = keeper.fault
        keeper.stop()
        if fault:
            self._keeper = None
        return fault

    def record(self, job: Job) -> tuple[JobRecord, tuple[Past, ...]]:
        """Return the job as the report wants it, and the drive's history.

        Raises
        ------
        BookError
            When the book cannot be read.
        """
        if self.number is not None:
            with Book(self._path) as book:
                return book.job(self.number), book.history(self.drive.identity)
        record = JobRecord(
            0,
            self.drive,
            self.head,
            tuple(self._takings),
            job.outcomes,
            job.as_found,
            job.as_left,
            self._closed_at,
            job.closing_reason,
            job.nudges,
        )
        return record, ()
