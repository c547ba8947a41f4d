"""What the book knows of a head over an archive's track."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.analysis.results import Quantity
from app.book.archive import archive_of
from app.book.store import Book
from app.job.model import CheckName, Stage
from tests.app.book.jobs import DRIVE, HEAD, now, outcome

CENTRE = outcome(-12.0, Stage.WORK, CheckName.CENTRE)


@pytest.fixture
def book(tmp_path):
    with Book(tmp_path / "book.sqlite3") as opened:
        opened.add_drive(DRIVE)
        yield opened


def job(book, *outcomes, nudges=0, virtual=True, closed=True):
    number = book.open_job(DRIVE.identity, replace(HEAD, virtual=virtual))
    book.keep(number, *outcomes)
    if closed:
        book.close_job(number, now(), nudges, "")


def known(book, *, virtual=True):
    return archive_of(book, DRIVE.identity, virtual=virtual)


def test_the_newest_centring_counts_until_something_is_nudged(book):
    assert known(book) is None
    job(book, outcome(-5.0, Stage.WORK, CheckName.CENTRE))
    job(book, CENTRE, nudges=3)
    assert known(book) == Quantity(-12.0, 1.5)
    job(book, outcome(3.0))
    assert known(book) == Quantity(-12.0, 1.5)
    job(book, outcome(3.0), nudges=1)
    assert known(book) is None


def test_an_open_job_and_one_of_the_other_kind_of_drive_tell_nothing(book):
    job(book, CENTRE, closed=False)
    job(book, CENTRE, virtual=False)
    assert known(book) is None
    assert known(book, virtual=False) == Quantity(-12.0, 1.5)


def test_of_a_drive_that_is_not_yet_in_the_book_nothing_is_known(book):
    assert archive_of(book, "machine 8", virtual=True) is None
