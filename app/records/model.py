"""What the job book holds, as it is read from it."""

from __future__ import annotations

from dataclasses import dataclass, field

from app.job.model import JobHead, Outcome, Summary, Taking


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive by the user's own identity for it.

    Attributes
    ----------
    identity : str
        The user's own, unique within a book.
    profile : str
        Its class.
    note : str
        Free words.
    added_at : str
        ISO 8601 with offset.
    """

    identity: str
    profile: str
    note: str = ""
    added_at: str = ""


@dataclass(frozen=True, slots=True)
class JobRecord:
    """One job from the book.

    Attributes
    ----------
    number : int
        Its number in the book.
    drive : Drive
        Whose.
    head : JobHead
        What stood over it from its beginning.
    takings : tuple of Taking
        In the order in which they were taken.
    outcomes : tuple of Outcome
        In the order in which the checks ended; a repeated check stands again.
    as_found, as_left : Summary
        The drive's three numbers.
    closed_at, closing_reason : str
        Empty while it is open; why it was closed with an open failure.
    nudges : int
        Nudges of the stepper's body that were asked for.
    """

    number: int
    drive: Drive
    head: JobHead
    takings: tuple[Taking, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    as_found: Summary = field(default_factory=Summary)
    as_left: Summary = field(default_factory=Summary)
    closed_at: str = ""
    closing_reason: str = ""
    nudges: int = 0


@dataclass(frozen=True, slots=True)
class Past:
    """A job in a drive's history: what charts and lists need of it."""

    number: int
    opened_at: str
    closed_at: str
    virtual: bool
    as_found: Summary
    as_left: Summary
    nudges: int


@dataclass(frozen=True, slots=True)
class Shelved:
    """A drive in a list: how often it was worked on, and what came of the last time.

    Attributes
    ----------
    drive : Drive
        Which.
    jobs : int
        Its jobs.
    last : Past or None
        The newest of them.
    """

    drive: Drive
    jobs: int
    last: Past | None

    @property
    def open_job(self) -> int | None:
        """Number of its last job where that is open."""
        return self.last.number if self.last is not None and not self.last.closed_at else None
