"""Where a drive's head stood over the track of an archive's disk, as its jobs in the book tell."""

from __future__ import annotations

from app.analysis.results import Quantity
from app.book.store import Book
from app.job.model import CheckName
from app.job.outcomes import counting


def archive_of(book: Book, identity: str, *, virtual: bool) -> Quantity | None:
    """Return how far the head stood outward of the middle of such a track when it was left.

    The newest closed job that measured it counts, as long as no later one has moved the head. Of a
    drive that the book does not have, or not yet, nothing is known.

    Raises
    ------
    BookError
        When the book cannot be read.
    """
    if book.drive(identity) is None:
        return None
    for job in reversed(book.history(identity)):
        if not job.closed_at or job.virtual != virtual:
            continue
        found = counting(book.job(job.number).outcomes)
        for (check, _, _), outcome in found.items():
            if check is CheckName.CENTRE and outcome.value is not None:
                return Quantity(outcome.value, outcome.u or 0.0)
        if job.nudges:
            return None
    return None
