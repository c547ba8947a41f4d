"""Two hands never work on one job."""

import os
import subprocess
import sys

import pytest

from app.book.lease import JobLease
from app.book.model import RefusedError
from app.book.store import Book
from app.book.writer import JobWriter
from tests.app.book.jobs import DRIVE, HEAD, entry, filled, now


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "book.sqlite3"
    with Book(path) as book:
        filled(book)
    return path


def test_a_job_that_is_worked_on_is_not_taken_up_by_another(path):
    first = JobWriter(DRIVE, HEAD, now, path=path, number=1)
    with pytest.raises(RefusedError, match="job 1 is being worked on in another window"):
        JobWriter(DRIVE, HEAD, now, path=path, number=1)
    JobWriter(DRIVE, HEAD, now, path=path, number=2).finish()
    first.keep(entry(1))
    assert first.finish() == ""
    assert JobWriter(DRIVE, HEAD, now, path=path, number=1).finish() == ""


def test_a_job_that_has_just_begun_is_held_too(path):
    begun = JobWriter(DRIVE, HEAD, now, path=path)
    assert begun.flush(20.0)
    assert begun.number is not None
    with pytest.raises(RefusedError):
        JobLease(path, begun.number)
    begun.finish()
    JobLease(path, begun.number).end()


def test_a_killed_program_holds_nothing(path):
    program = (
        "import os, sys; from pathlib import Path; from app.book.lease import JobLease; "
        "lease = JobLease(Path(sys.argv[1]), 1); os.kill(os.getpid(), 9)"
    )
    killed = subprocess.run([sys.executable, "-c", program, str(path)], check=False)
    assert killed.returncode == -9
    assert path.with_name("book.sqlite3-job-1").exists()
    JobLease(path, 1).end()


def test_nothing_is_left_beside_the_book(path):
    JobLease(path, 1).end()
    JobWriter(DRIVE, HEAD, now, path=path, number=1).finish()
    assert [each.name for each in path.parent.iterdir()] == ["book.sqlite3"]


@pytest.mark.parametrize("by", ["folder", "file"])
def test_a_job_is_held_by_whatever_links_its_book_is_named(path, tmp_path, by):
    link = tmp_path / "link"
    link.symlink_to(path.parent if by == "folder" else path)
    other = link / path.name if by == "folder" else link
    lease = JobLease(path, 1)
    with pytest.raises(RefusedError, match="job 1 is being worked on"):
        JobLease(other, 1)
    lease.end()
    JobLease(other, 1).end()


def test_a_lock_is_its_maker_s_alone_and_no_file_of_another_is_taken_for_it(path):
    lock = path.with_name("book.sqlite3-job-1")
    before = os.umask(0)
    try:
        lease = JobLease(path, 1)
        assert lock.stat().st_mode & 0o777 == 0o600
        lease.end()
    finally:
        os.umask(before)
    lock.write_text("a backup of somebody's")
    with pytest.raises(RefusedError, match="has the name that job 1 needs"):
        JobLease(path, 1)
    assert lock.read_text() == "a backup of somebody's"
    lock.unlink()
    lock.symlink_to(path)
    with pytest.raises(RefusedError, match="has the name that job 1 needs"):
        JobLease(path, 1)
    assert lock.is_symlink()
